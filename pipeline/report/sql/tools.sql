-- Tool life: falling lives first.
-- Grain: machine x tool.
select life.*
from mart.tool_life as life
where coalesce(life.machine = $machine, true)
order by life.verdict <> 'falling', life.machine, try_cast(life.tool as bigint), life.tool

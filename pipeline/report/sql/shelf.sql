-- Which fresh edges the coming batches of each machine take.
-- Grain: machine x place of a coming batch x tool.
from mart.shelf_list
where coalesce(machine = $machine, true) and coalesce(job = $job, true)
order by machine, place, try_cast(tool as bigint), tool

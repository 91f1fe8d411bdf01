-- What the exports and shop.toml say of each machine, side by side: ids that miss each other, streams that tell nothing.
-- Grain: machine.
with
told as (
    select machine, count(*) as rows, 0 as executions, 0 as events from core.cycle group by machine
    union all
    select machine, count(*), 0, 0 from core.tool_change group by machine
    union all
    select machine, count(*), 0, 0 from core.edge_change group by machine
    union all
    select machine, count(*), count(*) filter (item = 'Execution'), count(*) from core.event group by machine
)

select
    machine.machine,
    machine.in_shop_file,
    coalesce(sum(told.rows), 0)::bigint as rows,
    coalesce(sum(told.executions), 0)::bigint as executions,
    coalesce(sum(told.events), 0)::bigint as events,
from core.machine as machine
left join told using (machine)
group by machine.machine, machine.in_shop_file
order by machine.machine

-- What the exports and shop.toml say of each machine, side by side: ids that miss each other, streams that tell nothing.
-- Grain: machine.
select
    machine.machine,
    machine.in_shop_file,
    coalesce(sum(told.rows), 0)::bigint as rows,
    coalesce(sum(told.executions), 0)::bigint as executions,
    coalesce(sum(told.rows) filter (told.kind = 'event'), 0)::bigint as events,
    coalesce(sum(told.rows) filter (told.kind = 'cycle'), 0)::bigint as cycles,
from core.machine as machine
left join raw.source_extent as told
    on machine.machine = told.machine
    and told.kind in ('cycle', 'tool_change', 'edge_change', 'event')
group by machine.machine, machine.in_shop_file
order by machine.machine

-- Every edge in use: its age, the chance that it makes the next part and the rest of the batch, and what is due first.
-- Grain: edge in use.
select now.* exclude (file_id, row_number), source.name as file, now.row_number
from mart.edge_now as now
left join raw.source_file as source using (file_id)
where coalesce(now.machine = $machine, true)
order by
    case now.due when 'due' then 0 when 'suspect' then 1 when 'in this batch' then 2 when 'lasts' then 3 else 4 end,
    now.wear_verdict is distinct from 'runs away', now.parts_left_90, now.machine, try_cast(now.tool as bigint), now.tool

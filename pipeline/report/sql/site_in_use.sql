-- Every edge in use, what is due first.
-- Grain: edge in use.
from mart.edge_now
order by
    case due when 'due' then 0 when 'suspect' then 1 when 'in this batch' then 2 when 'lasts' then 3 else 4 end,
    wear_verdict is distinct from 'runs away', parts_left_90, machine, try_cast(tool as bigint), tool

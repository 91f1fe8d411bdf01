-- The ledger of edges, with the record by which each one ended or, where it is in use, began.
-- Grain: machine x tool x edge.
select edge.* exclude (file_id, row_number), source.name as file, edge.row_number
from core.edge_life as edge
left join raw.source_file as source using (file_id)
where coalesce(edge.machine = $machine, true)
order by edge.machine, try_cast(edge.tool as bigint), edge.tool, edge.edge_number

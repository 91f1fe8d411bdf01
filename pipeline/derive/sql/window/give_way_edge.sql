-- Takes away what is added up anew of edges.
delete from @relation as kept
using core.edge_stale as stale
where kept.machine = stale.machine and kept.tool = stale.tool and kept.edge_number >= stale.from_number

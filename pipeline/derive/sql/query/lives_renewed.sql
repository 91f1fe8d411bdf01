-- The tools, as the statistics count them, of whose edges any was added up anew.
-- Grain: machine x tool.
select distinct edge.life_machine as machine, edge.life_tool as tool
from core.edge as edge
semi join core.edge_stale using (machine, tool)

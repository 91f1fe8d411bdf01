-- Every edge of every tool.
-- Grain: machine x tool x edge.
from core.edge_life order by machine, tool, edge_number

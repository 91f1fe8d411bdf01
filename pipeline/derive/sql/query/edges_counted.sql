-- The edges as the statistics count them: sister tools as one, a number that was given to another tool as two.
-- Grain: edge.
select
    life_machine as machine, life_tool as tool, life_number as edge_number,
    machine as at_machine, tool as at_tool, edge_number as at_edge,
    * exclude (machine, tool, edge_number, life_machine, life_tool, life_number),
from core.edge_life
order by life_machine, life_tool, life_number

-- Every edge as the statistics count it, with the machine and the number under which it was used.
-- Grain: edge.
select
    * replace (life_machine as machine, life_tool as tool, life_number as edge_number),
    machine as at_machine,
    tool as at_tool,
from core.edge_life
order by life_machine, life_tool, life_number

-- What shop.toml says of each tool, for each machine that it is on; a line for one machine goes before one for all.
-- Grain: machine x tool.
-- Renewed: first.
select
    machine.machine,
    setting.tool,
    setting.name,
    setting.tool_type,
    setting.inserts,
    setting.edges_per_insert,
    setting.edge_cost,
    setting.change_min,
    setting.failure_cost,
from core.tool_setting as setting
inner join core.machine as machine on setting.machine = machine.machine or setting.machine = '*'
qualify row_number() over (
    partition by machine.machine, setting.tool order by setting.machine = '*', setting.number desc
) = 1

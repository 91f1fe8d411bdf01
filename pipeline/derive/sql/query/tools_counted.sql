-- What shop.toml says of the tools as the statistics count them.
-- Grain: machine (or machines) x tool.
select life_machine as machine, life_tool as tool, * exclude (machine, tool)
from core.tool
where is_lead

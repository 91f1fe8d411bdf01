-- How long each tool cut and did not in each run.
-- Grain: run x tool that is known.
select run_id, machine, tool, cut_s, noncut_s from core.tool_use where tool is not null

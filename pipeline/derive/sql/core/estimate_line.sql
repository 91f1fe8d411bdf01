-- What an estimate allows each tool of an operation; lines without a tool are kept under an empty tool.
-- Grain: estimate of an operation x tool.
-- Renewed: first.
select
    operation.estimate_id,
    line.tool,
    max(line.tool_type) as tool_type,
    sum(coalesce(line.cut_s, 0)) as cut_s,
    sum(coalesce(line.noncut_s, 0)) as noncut_s,
from core.estimate_held as line
inner join core.estimate_operation as operation
    on line.job is not distinct from operation.job
    and line.program is not distinct from operation.program
    and line.operation = operation.operation
    and line.machine is not distinct from operation.machine
    and line.revision is not distinct from operation.revision
where operation.has_tool_lines
group by operation.estimate_id, line.tool

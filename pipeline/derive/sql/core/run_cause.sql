-- Why a complete run took longer or shorter than its estimate: seconds by tool and cause; the rows of a run add up to
-- actual - estimate. Where the estimate gives one time for the whole cycle, in-cycle time cannot be split and is
-- `unexplained`; where no tool of the run is known, the tools' lines are compared in total. Standing still with an
-- override at zero is `feed_override`.
-- Grain: run x tool x cause.
-- Renewed: by window.
with
runs as (
    select
        run.run_id,
        run.machine,
        run.estimate_id,
        run.estimate_s,
        run.estimate_from = 'lines' and coalesce(operation.has_tool_lines, false) as by_tool,
    from core.run as run
    left join core.estimate_operation as operation using (estimate_id)
    where run.outcome = 'complete' and run.estimate_s is not null
),

tools_known as (
    select run_id, count(tool) > 0 as knows_tools from core.tool_use group by run_id
),

allowed as (
    select
        runs.run_id,
        if(tools_known.knows_tools, line.tool, null) as tool,
        line.tool is null as is_toolless,
        sum(line.cut_s) as cut_s,
        sum(line.noncut_s) as noncut_s,
    from runs
    inner join tools_known using (run_id)
    inner join core.estimate_line as line using (estimate_id)
    where runs.by_tool
    group by runs.run_id, if(tools_known.knows_tools, line.tool, null), line.tool is null
),

used as (
    select use.*, runs.by_tool from core.tool_use as use inner join runs using (run_id)
),

parts as (
    select run_id, tool, 'feed_override' as cause, override_s + blocked_s as seconds from used
    union all
    select run_id, tool, 'hold', hold_s from used
    union all
    select run_id, tool, 'stop', stop_s from used
    union all
    select run_id, tool, 'fault', fault_s from used
    union all
    select run_id, tool, 'unobserved', unobserved_s from used
    union all
    select run_id, tool, 'cutting', cut_s - override_s from used where by_tool
    union all
    select run_id, tool, 'rapid', noncut_s - blocked_s from used where by_tool
    union all
    select run_id, null, 'tool_change', tool_change_s from used where by_tool
    union all
    select run_id, null, 'unexplained', cut_s - override_s + noncut_s - blocked_s + tool_change_s
    from used
    where not by_tool
    union all
    select run_id, null, 'unexplained', -estimate_s from runs where not by_tool
    union all
    select run_id, tool, 'cutting', -cut_s from allowed
    union all
    select run_id, tool, 'rapid', -noncut_s from allowed where not is_toolless
    union all
    -- a line without a tool carries what belongs to no tool, tool changes included: they are compared in total
    select run_id, null, 'tool_change', -noncut_s from allowed where is_toolless
),

summed as (
    -- decimal sums do not depend on the order in which rows arrive
    select run_id, tool, cause, sum(seconds::decimal(18, 6))::double as seconds
    from parts
    group by run_id, tool, cause
    having sum(seconds::decimal(18, 6)) <> 0
)

select run.machine, run.started_at, summed.*
from summed
inner join core.run as run using (run_id)

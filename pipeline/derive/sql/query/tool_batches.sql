-- What each tool did in the complete runs of a batch that have an estimate by lines.
-- Grain: batch x estimate x tool.
select
    run.batch_id,
    run.estimate_id,
    used.tool,
    count(*) as runs,
    -- decimal sums do not depend on the order in which rows arrive
    sum(used.cut_s::decimal(18, 6))::double as cut_s,
    sum(used.noncut_s::decimal(18, 6))::double as noncut_s,
from core.run as run
inner join core.tool_use as used using (run_id)
where run.outcome = 'complete' and run.estimate_from = 'lines' and used.tool is not null
group by run.batch_id, run.estimate_id, used.tool
order by run.batch_id, run.estimate_id, used.tool

-- What each tool did in the complete runs of a batch that have an estimate by lines.
-- Grain: batch x estimate x tool.
select
    batch_id,
    estimate_id,
    tool,
    sum(runs)::bigint as runs,
    sum(cut_s)::double as cut_s,
    sum(noncut_s)::double as noncut_s,
from core.month_batch_tool
group by batch_id, estimate_id, tool
order by batch_id, estimate_id, tool

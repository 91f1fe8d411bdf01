-- What each tool did in a month in the complete runs of a batch that have an estimate by lines; a run counts by its start.
-- Grain: machine x local month x batch_id x estimate_id x tool.
-- Renewed: by month.
with
runs as (
    select
        run.run_id,
        run.machine,
        strftime(timezone(shop.timezone, run.started_at), '%Y-%m') as month,
        run.batch_id,
        run.estimate_id,
    from core.run as run
    cross join core.shop_setting as shop
    where run.outcome = 'complete' and run.estimate_from = 'lines'
)

select
    runs.machine,
    runs.month,
    runs.batch_id,
    runs.estimate_id,
    used.tool,
    count(*) as runs,
    -- decimal sums do not depend on the order in which rows arrive
    sum(used.cut_s::decimal(18, 6)) as cut_s,
    sum(used.noncut_s::decimal(18, 6)) as noncut_s,
from runs
inner join core.tool_use as used using (run_id)
where used.tool is not null
group by runs.machine, runs.month, runs.batch_id, runs.estimate_id, used.tool

-- What ran in a month, counted by its start: runs, those that can be held against an estimate, parts, scrap, time in cycle;
-- and the last order that a run of it names.
-- Grain: machine x local month x job_key x operation x program x revision.
-- Renewed: by month.
select
    run.machine,
    strftime(timezone(shop.timezone, run.started_at), '%Y-%m') as month,
    run.job_key,
    run.operation,
    run.program,
    run.revision,
    count(*) as runs,
    count(*) filter (run.outcome = 'complete' and run.estimate_s is not null) as compared_runs,
    sum(run.parts)::bigint as parts,
    sum(run.scrap)::bigint as scrap,
    sum(run.in_cycle_s::decimal(18, 6)) as in_cycle_s,
    last(run.job order by run.started_at, run.run_id) filter (run.job is not null) as job,
from core.run as run
cross join core.shop_setting as shop
group by run.machine, month, run.job_key, run.operation, run.program, run.revision

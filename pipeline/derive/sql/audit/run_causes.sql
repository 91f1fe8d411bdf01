-- The causes of a complete run add up to actual - estimate, to the millisecond.
-- Grain: run that does not add up.
-- Renewed: by window.
select run.run_id, run.machine, run.started_at, run.actual_s - run.estimate_s as over_s, sum(cause.seconds) as causes_s
from core.run as run
left join core.run_cause as cause using (run_id)
where run.outcome = 'complete' and run.estimate_s is not null
group by run.run_id, run.machine, run.started_at, run.actual_s, run.estimate_s
having abs(coalesce(sum(cause.seconds), 0) - (run.actual_s - run.estimate_s)) > 0.0005

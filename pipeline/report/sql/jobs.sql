-- Jobs against their estimates, what costs most first.
-- Grain: job_key x operation x machine x program x revision.
select drift.*
from mart.job_drift as drift
where
    coalesce(drift.machine = $machine, true)
    and ($job is null or $job in (drift.job, drift.part, drift.job_key))
order by
    coalesce(drift.overrun_cost, drift.overrun_hours) desc nulls last,
    drift.job_key,
    drift.operation,
    drift.machine,
    drift.program,
    drift.revision

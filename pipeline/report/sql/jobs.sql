-- Jobs against their estimates, what costs most first; where the cost of some overrun is not known, the most hours first.
-- Grain: job_key x operation x machine x program x revision.
select drift.*
from mart.job_drift as drift
cross join (
    select bool_and(overrun_cost is not null) as is_priced from mart.job_drift where overrun_hours is not null
) as costs
where
    coalesce(drift.machine = $machine, true)
    and ($job is null or $job in (drift.job, drift.part, drift.job_key))
order by
    if(costs.is_priced, drift.overrun_cost, drift.overrun_hours) desc nulls last,
    drift.job_key,
    drift.operation,
    drift.machine,
    drift.program,
    drift.revision

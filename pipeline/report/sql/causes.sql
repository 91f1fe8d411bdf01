-- What eats the time, largest first.
-- Grain: job_key x operation x machine x program x revision x tool x cause.
select cause.*
from mart.drift_cause as cause
where
    coalesce(cause.machine = $machine, true)
    and ($job is null or $job in (cause.job, cause.job_key))
order by cause.hours desc, cause.job_key, cause.operation, cause.machine, cause.tool, cause.cause

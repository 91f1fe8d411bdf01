-- What each month was spent on: runs, in-cycle hours and setups by job.
-- Grain: machine x local month x job_key.
from mart.month_job
order by machine, month, job_key

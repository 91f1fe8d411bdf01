-- What eats the time of each job: the causes of its complete runs, mean seconds a run, hours and money in all.
-- Grain: job_key x operation x machine x program x revision x tool x cause.
-- Renewed: whole.
with
runs as (
    select
        job_key,
        operation,
        machine,
        program,
        revision,
        arg_max(job, month) filter (where job is not null) as job, -- named as in mart.job_drift
        sum(compared_runs) as runs,
    from core.month_run
    group by job_key, operation, machine, program, revision
),

summed as (
    select job_key, operation, machine, program, revision, tool, cause, sum(seconds)::double as seconds
    from core.month_cause
    group by job_key, operation, machine, program, revision, tool, cause
)

select
    summed.job_key,
    runs.job,
    summed.operation,
    summed.machine,
    summed.program,
    summed.revision,
    summed.tool,
    summed.cause,
    summed.seconds / runs.runs as seconds_per_run,
    summed.seconds / 3600 as hours,
    summed.seconds / 3600 * machine.rate_per_hour as cost,
from summed
inner join runs
    on summed.job_key = runs.job_key
    and summed.operation is not distinct from runs.operation
    and summed.machine = runs.machine
    and summed.program = runs.program
    and summed.revision is not distinct from runs.revision
inner join core.machine as machine on summed.machine = machine.machine
order by summed.job_key, summed.operation, summed.machine, summed.program, summed.revision, summed.tool, summed.cause

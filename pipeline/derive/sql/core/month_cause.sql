-- What ate the time of each job in a month: seconds of its complete runs that began in it, by tool and cause.
-- Grain: machine x local month x job_key x operation x program x revision x tool x cause.
-- Renewed: by month.
with
runs as (
    select
        run.run_id,
        run.machine,
        strftime(timezone(shop.timezone, run.started_at), '%Y-%m') as month,
        run.job_key,
        run.operation,
        run.program,
        run.revision,
    from core.run as run
    cross join core.shop_setting as shop
),

-- of what runs belong to, each a number: causes are grouped by the million
kinds as materialized (
    select *, row_number() over () as kind
    from (select distinct machine, month, job_key, operation, program, revision from runs)
),

numbered as materialized (
    select runs.run_id, kinds.kind
    from runs
    inner join kinds
        on runs.machine = kinds.machine
        and runs.month = kinds.month
        and runs.job_key is not distinct from kinds.job_key
        and runs.operation is not distinct from kinds.operation
        and runs.program is not distinct from kinds.program
        and runs.revision is not distinct from kinds.revision
),

summed as (
    -- decimals add up to the same in any order of rows
    select numbered.kind, cause.tool, cause.cause, sum(cause.seconds::decimal(18, 6)) as seconds
    from core.run_cause as cause
    inner join numbered using (run_id)
    group by numbered.kind, cause.tool, cause.cause
)

select
    kinds.machine, kinds.month, kinds.job_key, kinds.operation, kinds.program, kinds.revision, summed.tool, summed.cause,
    summed.seconds,
from summed
inner join kinds using (kind)

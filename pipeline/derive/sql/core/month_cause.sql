-- What ate the time of each job in a month: seconds of its complete runs that began in it, by tool and cause.
-- Grain: machine x local month x job_key x operation x program x revision x tool x cause.
-- Renewed: by month.
select
    run.machine,
    strftime(timezone(shop.timezone, run.started_at), '%Y-%m') as month,
    run.job_key,
    run.operation,
    run.program,
    run.revision,
    cause.tool,
    cause.cause,
    -- decimals add up to the same in any order of rows
    sum(cause.seconds::decimal(18, 6)) as seconds,
from core.run_cause as cause
inner join core.run as run using (run_id)
cross join core.shop_setting as shop
group by run.machine, month, run.job_key, run.operation, run.program, run.revision, cause.tool, cause.cause

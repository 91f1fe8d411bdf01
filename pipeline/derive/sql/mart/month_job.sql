-- What each month was spent on: runs and in-cycle hours by job, with the setups made for it.
-- Runs and batches count in the month in which they began.
-- Grain: machine x local month x job_key.
-- Renewed: whole.
with
shop as (
    select timezone from core.shop_setting
),

runs as (
    select
        machine,
        month,
        job_key,
        sum(runs)::bigint as runs,
        sum(parts)::bigint as parts,
        sum(scrap)::bigint as scrap,
        sum(in_cycle_s)::double / 3600 as in_cycle_hours,
    from core.month_run
    group by machine, month, job_key
),

setups as (
    select
        batch.machine,
        strftime(timezone(shop.timezone, batch.started_at), '%Y-%m') as month,
        batch.job_key,
        count(*) as setups,
        sum(batch.setup_s::decimal(18, 6))::double / 3600 as setup_hours,
    from core.batch as batch
    cross join shop
    where batch.setup_s > 0
    group by batch.machine, month, batch.job_key
)

select
    machine,
    month,
    job_key,
    runs.runs,
    runs.parts,
    runs.scrap,
    runs.in_cycle_hours,
    coalesce(setups.setups, 0) as setups,
    coalesce(setups.setup_hours, 0) as setup_hours,
from runs
left join setups using (machine, month, job_key)
order by machine, month, job_key

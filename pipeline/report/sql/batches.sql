-- Every batch: setup against the quote, the first part against the repeat parts, and what they cost at the machine's
-- rate; loading costs its median time between every two cycles. Narrowed to the month in which it began, a machine or
-- a job.
-- Grain: batch.
select
    batch.*,
    strftime(timezone(shop.timezone, batch.started_at), '%Y-%m') as month,
    batch.setup_s - batch.quoted_setup_s as setup_over_s,
    batch.first_part_s / nullif(batch.repeat_s, 0) as first_over_repeat,
    batch.setup_s / 3600 * machine.rate_per_hour as setup_cost,
    (batch.setup_s - batch.quoted_setup_s) / 3600 * machine.rate_per_hour as setup_over_cost,
    (batch.first_part_s - batch.repeat_s) / 3600 * machine.rate_per_hour as first_part_over_cost,
    batch.between_cycles_s * (batch.runs + batch.aborted - 1) / 3600 * machine.rate_per_hour as between_cycles_cost,
from core.batch as batch
inner join core.machine as machine using (machine)
cross join core.shop_setting as shop
where
    coalesce(strftime(timezone(shop.timezone, batch.started_at), '%Y-%m') = $month, true)
    and coalesce(batch.machine = $machine, true)
    and ($job is null or $job in (batch.job, batch.part, batch.job_key))
order by batch.machine, batch.started_at

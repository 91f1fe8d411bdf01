-- Batches: setup, first part against repeat parts, time between cycles (loading and unloading), parts, scrap, stops.
-- between_cycles_s is the median in-shift time between one cycle's end and the next one's start; what follows an aborted
-- cycle is putting things right, not loading. What was set up for a machine's first batch lies before its first record:
-- setup_s is empty there.
-- Grain: batch.
-- Renewed: whole.
with
setups as (
    select batch_id, sum(setup_s) as setup_s from core.batch_setup group by batch_id
),

quoted as (
    select run.batch_id, coalesce(max(estimate.setup_s), max(orders.quoted_setup_s)) as quoted_setup_s
    from core.run as run
    left join core.estimate_operation as estimate using (estimate_id)
    left join (select job, max(quoted_setup_s) as quoted_setup_s from core.job group by job) as orders
        on run.job = orders.job
    group by run.batch_id
),

summed as (
    select
        batch_id,
        any_value(machine) as machine,
        last(job order by started_at) as job,
        any_value(part) as part,
        any_value(job_key) as job_key,
        any_value(operation) as operation,
        min(started_at) as started_at,
        max(ended_at) as ended_at,
        count(*) filter (outcome = 'complete') as runs,
        count(*) filter (outcome = 'aborted') as aborted,
        sum(parts)::bigint as parts,
        sum(scrap)::bigint as scrap,
        sum(made - scrap)::bigint as good,
        list(actual_s order by started_at, run_id) filter (outcome = 'complete') as complete_s,
        median(gap_s) filter (outcome <> 'aborted') as between_cycles_s,
        sum(stops)::bigint as stops,
        any_value(basis) as basis,
    from core.run
    group by batch_id
)

select
    summed.batch_id,
    summed.machine,
    summed.job,
    summed.part,
    summed.job_key,
    summed.operation,
    summed.started_at,
    summed.ended_at,
    summed.runs,
    summed.aborted,
    summed.parts,
    summed.scrap,
    summed.good,
    coalesce(
        setups.setup_s,
        if(row_number() over (partition by summed.machine order by summed.started_at, summed.batch_id) = 1, null, 0)
    ) as setup_s,
    quoted.quoted_setup_s,
    summed.complete_s[1] as first_part_s,
    list_median(summed.complete_s[2:]) as repeat_s,
    summed.between_cycles_s,
    summed.stops,
    summed.basis,
from summed
left join setups using (batch_id)
left join quoted using (batch_id)
order by summed.machine, summed.started_at

-- Batches: setup, first part against repeat parts, time between cycles (loading and unloading), parts, scrap, stops.
-- between_cycles_s is the median in-shift time between one cycle's end and the next one's start; what follows an aborted
-- cycle is putting things right, not loading.
-- Grain: batch.
with
runs as (
    select
        *,
        lead(started_at) over (partition by batch_id order by started_at, run_id) as next_started_at,
        row_number() over (partition by batch_id order by outcome <> 'complete', started_at, run_id) as complete_number,
    from core.run
),

gaps as (
    select
        runs.batch_id,
        runs.run_id,
        sum(
            greatest(
                0,
                epoch_us(least(runs.next_started_at, shift.ended_at))
                - epoch_us(greatest(runs.ended_at, shift.started_at))
            )
        ) / 1e6 as gap_s,
    from runs
    inner join core.shift as shift
        on runs.machine = shift.machine
        and shift.started_at < runs.next_started_at
        and shift.ended_at > runs.ended_at
    where runs.next_started_at > runs.ended_at and runs.outcome <> 'aborted'
    group by runs.batch_id, runs.run_id
),

between_cycles as (
    select batch_id, median(gap_s) as between_cycles_s from gaps group by batch_id
),

setups as (
    select setup.batch_id, sum(epoch_us(least(span.ended_at, make_timestamptz(setup.ended_us)))
        - epoch_us(greatest(span.started_at, make_timestamptz(setup.started_us)))) / 1e6 as setup_s
    from core.setup_window as setup
    inner join core.span as span
        on setup.machine = span.machine
        and epoch_us(span.started_at) < setup.ended_us
        and epoch_us(span.ended_at) > setup.started_us
        and span.state = 'setup'
    group by setup.batch_id
),

stops as (
    select runs.batch_id, count(*) as stops
    from runs
    inner join core.span as span
        on runs.machine = span.machine
        and span.state = 'held'
        and span.started_at < runs.ended_at
        and span.ended_at > runs.started_at
    group by runs.batch_id
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
        max(actual_s) filter (outcome = 'complete' and complete_number = 1) as first_part_s,
        median(actual_s) filter (outcome = 'complete' and complete_number > 1) as repeat_s,
        any_value(basis) as basis,
    from runs
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
    coalesce(setups.setup_s, 0) as setup_s,
    quoted.quoted_setup_s,
    summed.first_part_s,
    summed.repeat_s,
    between_cycles.between_cycles_s,
    coalesce(stops.stops, 0) as stops,
    summed.basis,
from summed
left join between_cycles using (batch_id)
left join setups using (batch_id)
left join stops using (batch_id)
left join quoted using (batch_id)
order by summed.machine, summed.started_at

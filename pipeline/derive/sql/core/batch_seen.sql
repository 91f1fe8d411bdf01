-- Consecutive cycles of one part (else job) and operation on one machine, no other job's cycle between, with gaps of
-- at most batch_gap_h: which batch and which setup group each cycle belongs to. Where only a window of a machine's time
-- is looked at, core.batch_carried names the batch of its first cycle; what ran before that is not counted.
-- Grain: cycle.
-- Renewed: in passing.
with
in_order as (
    select
        run_id,
        machine,
        job_key,
        operation,
        started_at,
        ended_at,
        outcome,
        lag(job_key) over by_start as job_before,
        lag(operation) over by_start as operation_before,
        lag(ended_at) over by_start as ended_before,
        row_number() over by_start as number,
    from core.cycle_seen
    left join core.batch_carried as carried using (machine)
    where coalesce(started_at >= carried.from_at, true)
    window by_start as (partition by machine order by started_at, run_id)
),

marked as (
    select
        in_order.*,
        number = 1 or job_key <> job_before or operation is distinct from operation_before as is_new_job,
        epoch(started_at - ended_before) > shop.batch_gap_h * 3600 as is_after_gap,
    from in_order
    cross join core.shop_setting as shop
),

numbered as (
    select
        *,
        sum(is_new_job::bigint) over upto as job_group,
        sum((is_new_job or coalesce(is_after_gap, false))::bigint) over upto as batch_number,
    from marked
    window upto as (partition by machine order by number rows between unbounded preceding and current row)
)

select
    run_id,
    machine,
    job_group,
    case
        when batch_number = 1 and carried.batch_id is not null then carried.batch_id
        else substr(
            md5(concat_ws('|', machine, epoch_us(min(started_at) over (partition by machine, batch_number)))), 1, 16
        )
    end as batch_id,
from numbered
left join core.batch_carried as carried using (machine)

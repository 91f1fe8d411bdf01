-- The longest stops inside planned time: the machine held, faulted or idle, up to twenty a month. Breaks, nights and
-- closed days do not end a stop and do not count in its hours; what was not observed ends it. A stop that reaches into
-- another month counts there too, with that month's part. `run_id` is the last run of the month that began before the
-- stop, which it interrupted or followed; file and row are the record of the month that the stop began with, else that of
-- this run, else of the run that ended it.
-- Grain: machine x local month x place.
-- Renewed: by month.
with
shop as (
    select timezone from core.shop_setting
),

standing as (
    select machine, epoch_us(started_at) as started_us, epoch_us(ended_at) as ended_us, state, detail, planned
    from core.span
    where
        (planned and state in ('held', 'faulted', 'idle'))
        or (not planned and state in ('held', 'faulted', 'off_shift'))
),

met as (
    select
        *,
        started_us is distinct from lag(ended_us) over (partition by machine order by started_us) as is_apart,
    from standing
),

chained as (
    select
        *,
        sum(is_apart::bigint) over (
            partition by machine order by started_us rows between unbounded preceding and current row
        ) as chain,
    from met
),

changed as (
    select
        *,
        (chain, state, coalesce(detail, '')) is distinct from lag((chain, state, coalesce(detail, ''))) over (
            partition by machine order by started_us
        ) as is_new,
    from chained
    where planned
),

numbered as (
    select
        *,
        sum(is_new::bigint) over (
            partition by machine order by started_us rows between unbounded preceding and current row
        ) as stop,
    from changed
),

on_months as (
    select
        numbered.*,
        unnest(
            generate_series(
                date_trunc('month', timezone(shop.timezone, make_timestamptz(started_us))),
                date_trunc('month', timezone(shop.timezone, make_timestamptz(ended_us - 1))),
                interval 1 month
            )
        ) as month_local,
        shop.timezone,
    from numbered
    cross join shop
),

clipped as (
    select
        machine,
        stop,
        month_local,
        state,
        detail,
        greatest(started_us, epoch_us(timezone(timezone, month_local))) as started_us,
        least(ended_us, epoch_us(timezone(timezone, month_local + interval 1 month))) as ended_us,
    from on_months
),

stops as (
    select
        machine,
        month_local,
        any_value(state) as state,
        any_value(detail) as detail,
        min(started_us) as started_us,
        max(ended_us) as ended_us,
        sum(ended_us - started_us)::bigint as length_us,
    from clipped
    group by machine, month_local, stop
),

longest as (
    select
        *,
        row_number() over (partition by machine, month_local order by length_us desc, started_us) as place,
    from stops
    qualify place <= 20
),

-- the runs that touch a month
runs as (
    select
        run.machine,
        run.run_id,
        epoch_us(run.started_at) as started_us,
        unnest(
            generate_series(
                date_trunc('month', timezone(shop.timezone, run.started_at)),
                date_trunc('month', timezone(shop.timezone, run.ended_at)),
                interval 1 month
            )
        ) as month_local,
    from core.run as run
    cross join shop
),

-- of runs that begin at one instant the first
run_starts as (
    select machine, month_local, started_us, min(run_id) as run_id
    from runs
    group by machine, month_local, started_us
),

records as (
    select
        record.machine,
        record.state,
        date_trunc('month', timezone(shop.timezone, record.started_at)) as month_local,
        epoch_us(record.started_at) as started_us,
        record.file_id,
        record.row_number,
    from core.stop_record as record
    cross join shop
),

-- few: what runs and records are is looked up for these alone
met_with as (
    select longest.*, before.run_id, after.run_id as following_run_id,
    from longest
    asof left join run_starts as before
        on longest.machine = before.machine
        and longest.month_local = before.month_local
        and longest.started_us >= before.started_us
    asof left join run_starts as after
        on longest.machine = after.machine
        and longest.month_local = after.month_local
        and longest.ended_us <= after.started_us
)

select
    stop.machine,
    strftime(stop.month_local, '%Y-%m') as month,
    stop.place,
    stop.state,
    case stop.state
        when 'idle' then 'idle'
        when 'faulted' then 'fault'
        else if(stop.detail = 'stop', 'program_stop', 'feed_hold')
    end as loss,
    make_timestamptz(stop.started_us) as started_at,
    make_timestamptz(stop.ended_us) as ended_at,
    stop.length_us / 3600e6 as hours,
    stop.length_us / 3600e6 * machine.rate_per_hour as cost,
    epoch_us(run.ended_at) > stop.started_us as interrupted,
    run.run_id,
    run.job_key,
    run.job,
    run.operation,
    run.program,
    run.revision,
    coalesce(record.file_id, run.last_file_id, following.file_id) as file_id,
    case
        when record.file_id is not null then record.row_number
        when run.last_file_id is not null then run.last_row_number
        else following.row_number
    end as row_number,
from met_with as stop
inner join core.machine as machine using (machine)
asof left join records as record
    on stop.machine = record.machine
    and stop.month_local = record.month_local
    and stop.state = record.state
    and stop.started_us >= record.started_us
left join core.run as run on stop.run_id = run.run_id
left join core.run as following on stop.following_run_id = following.run_id
order by stop.machine, month, stop.place

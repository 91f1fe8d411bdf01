-- How far the control's own accumulated times ran on, and what the time line has for the very same stretches.
-- Counters: automatic (in cycle, holds included), working (in cycle without holds), cutting, powered (any time that was
-- observed). Compared are stretches between two readings that were observed from end to end; set aside and said are those
-- that touch unobserved time (unseen_s), in which the counter fell back (resets) or ran faster than the clock by more
-- than 2 % and the step in which it counts (implausible_s). A row begins with a run, a month or the machine's first
-- record; what lies between its ends and its first and last reading stands as head_* and tail_* for mart.counter_check.
-- Grain: machine x counter x counting item x start of a run or month, from the first reading on.
-- Renewed: by window.
with
named (item, sub_type, counter) as (
    -- AccumulatedTime has no sub types in the standard: these are the words of the newer timers and plain ones
    values
        ('EquipmentTimer', 'LOADED', 'cutting'),
        ('EquipmentTimer', 'WORKING', 'working'),
        ('EquipmentTimer', 'POWERED', 'powered'),
        ('ProcessTimer', 'PROCESS', 'automatic'),
        ('AccumulatedTime', 'LOADED', 'cutting'),
        ('AccumulatedTime', 'CUT', 'cutting'),
        ('AccumulatedTime', 'CUTTING', 'cutting'),
        ('AccumulatedTime', 'WORKING', 'working'),
        ('AccumulatedTime', 'PROCESS', 'automatic'),
        ('AccumulatedTime', 'AUTO', 'automatic'),
        ('AccumulatedTime', 'AUTOMATIC', 'automatic'),
        ('AccumulatedTime', 'POWERED', 'powered')
),

readings as (
    select
        event.machine,
        named.counter,
        coalesce(event.data_item_id, concat_ws(' ', event.path, event.item)) as timer,
        epoch_us(event.occurred_at) as at_us,
        last((try_cast(event.value as double) * 1000)::bigint order by event.file_id, event.row_number) as reading_ms,
        last(event.file_id order by event.file_id, event.row_number) as file_id,
        last(event.row_number order by event.file_id, event.row_number) as row_number,
    from core.event as event
    inner join named
        on event.item = named.item and upper(regexp_replace(event.sub_type, '^[xX]:', '')) = named.sub_type
    where event.item in ('AccumulatedTime', 'EquipmentTimer', 'ProcessTimer') and try_cast(event.value as double) >= 0
    group by all
),

timers as (
    select machine, counter, timer, min(at_us) as first_us from readings group by machine, counter, timer
),

counters as (
    select distinct machine, counter from timers
),

spans as (
    select machine, state, epoch_us(started_at) as started_us, epoch_us(ended_at) as ended_us
    from core.span
    where machine in (select machine from timers)
),

-- an alarm in a cycle, or a hold left standing outside shifts, is in cycle for the control whatever the state says
shown (counter, state, signal) as (
    values
        ('cutting', 'cutting', null),
        ('working', 'cutting', null),
        ('working', 'noncutting', null),
        ('working', null, 'active'),
        ('automatic', 'cutting', null),
        ('automatic', 'noncutting', null),
        ('automatic', 'held', null),
        ('automatic', null, 'active'),
        ('automatic', null, 'hold'),
        ('automatic', null, 'stop')
),

stretches as (
    select counters.machine, counters.counter, spans.started_us, spans.ended_us, 0 as shown, 1 as known
    from counters
    inner join spans using (machine)
    where spans.state <> 'unobserved'
    union all
    select counters.machine, counters.counter, spans.started_us, spans.ended_us, 1, 0
    from counters
    inner join spans using (machine)
    left join shown using (counter, state)
    where shown.state is not null or (counters.counter = 'powered' and spans.state <> 'unobserved')
    union all
    select counters.machine, counters.counter, told.started_us, told.ended_us, 1, 0
    from counters
    inner join core.stream_signal as told using (machine)
    inner join shown using (counter, signal)
),

instants as (
    select machine, counter, at_us, sum(shown) as shown, sum(known) as known
    from (
        select machine, counter, started_us as at_us, shown, known from stretches
        union all
        select machine, counter, ended_us, -shown, -known from stretches
    )
    group by machine, counter, at_us
),

standing as (
    select
        machine,
        counter,
        at_us,
        lead(at_us) over in_order - at_us as length_us,
        sum(shown) over upto > 0 as is_shown,
        sum(known) over upto > 0 as is_known,
    from instants
    window
        in_order as (partition by machine, counter order by at_us),
        upto as (partition by machine, counter order by at_us rows between unbounded preceding and current row)
),

summed as (
    select
        machine,
        counter,
        at_us,
        is_shown,
        is_known,
        coalesce(sum(if(is_shown, length_us, 0)) over before, 0)::bigint as shown_us,
        coalesce(sum(if(is_known, length_us, 0)) over before, 0)::bigint as known_us,
    from standing
    window before as (
        partition by machine, counter order by at_us rows between unbounded preceding and 1 preceding
    )
),

extents as (
    select timers.machine, min(least(spans.started_us, timers.first_us)) as first_us, max(spans.ended_us) as last_us
    from timers
    inner join spans using (machine)
    group by timers.machine
),

months as (
    select
        extents.machine,
        unnest(
            generate_series(
                date_trunc('month', timezone(shop.timezone, make_timestamptz(extents.first_us))) + interval 1 month,
                timezone(shop.timezone, make_timestamptz(extents.last_us)),
                interval 1 month
            )
        ) as month_local,
    from extents
    cross join core.shop_setting as shop
),

cuts as (
    select machine, first_us as at_us from extents
    union
    select machine, epoch_us(started_at) from core.cycle_seen where machine in (select machine from extents)
    union
    select months.machine, epoch_us(timezone(shop.timezone, months.month_local))
    from months
    cross join core.shop_setting as shop
),

points as (
    select timers.machine, timers.counter, timers.timer, cuts.at_us, false as is_reading
    from timers
    inner join cuts using (machine)
    union all by name
    select *, true as is_reading from readings
),

valued as (
    select
        points.*,
        coalesce(summed.shown_us + if(summed.is_shown, points.at_us - summed.at_us, 0), 0) as shown_us,
        coalesce(summed.known_us + if(summed.is_known, points.at_us - summed.at_us, 0), 0) as known_us,
        max(if(points.is_reading, null, points.at_us)) over (
            partition by points.machine, points.counter, points.timer
            order by points.at_us, points.is_reading
            rows between unbounded preceding and current row
        ) as started_us,
        -- the step in which a counter counts shows in its readings: hours, tenths and hundredths of an hour, minutes
        case
            when reading_ms % 3600000 = 0 then 3600
            when reading_ms % 360000 = 0 then 360
            when reading_ms % 60000 = 0 then 60
            when reading_ms % 36000 = 0 then 36
            else 2
        end as step_s,
    from points
    asof left join summed
        on points.machine = summed.machine and points.counter = summed.counter and points.at_us >= summed.at_us
),

pieces as (
    select
        *,
        lead(at_us) over in_order - at_us as length_us,
        lead(shown_us) over in_order - shown_us as spans_us,
        lead(known_us) over in_order - known_us as seen_us,
        lead(reading_ms) over in_order - reading_ms as grown_ms,
        least(lead(step_s) over in_order, step_s) * 1e6 as step_us,
        coalesce(lead(is_reading) over in_order, false) as is_followed,
    from valued
    window in_order as (partition by machine, counter, timer order by at_us, is_reading)
),

judged as (
    select
        *,
        case
            when not is_reading then 'head'
            when not is_followed then 'tail'
            when grown_ms < 0 then 'reset'
            when grown_ms * 1000 > length_us * 1.02 + step_us then 'implausible'
            when seen_us < length_us then 'unseen'
            else 'compared'
        end as part,
    from pieces
)

select
    judged.machine,
    make_timestamptz(started_us) as started_at,
    strftime(timezone(any_value(shop.timezone), make_timestamptz(started_us)), '%Y-%m') as month,
    counter,
    timer,
    count(*) filter (is_reading) as readings,
    coalesce(sum(grown_ms) filter (part = 'compared'), 0) / 1e3 as advance_s,
    coalesce(sum(spans_us) filter (part = 'compared'), 0) / 1e6 as spans_s,
    coalesce(sum(grown_ms) filter (part = 'unseen'), 0) / 1e3 as unseen_s,
    coalesce(sum(grown_ms) filter (part = 'implausible'), 0) / 1e3 as implausible_s,
    count(*) filter (part = 'reset') as resets,
    min(step_s) filter (is_reading) as step_s,
    make_timestamptz(min(at_us) filter (is_reading)) as first_reading_at,
    arg_min(reading_ms, at_us) filter (is_reading) / 1e3 as first_reading_s,
    make_timestamptz(max(at_us) filter (is_reading)) as last_reading_at,
    arg_max(reading_ms, at_us) filter (is_reading) / 1e3 as last_reading_s,
    coalesce(sum(spans_us) filter (part = 'head'), 0) / 1e6 as head_spans_s,
    coalesce(sum(length_us - seen_us) filter (part = 'head'), 0) / 1e6 as head_unseen_s,
    coalesce(sum(spans_us) filter (part = 'tail'), 0) / 1e6 as tail_spans_s,
    coalesce(sum(length_us - seen_us) filter (part = 'tail'), 0) / 1e6 as tail_unseen_s,
    arg_min(file_id, at_us) filter (is_reading) as file_id,
    arg_min(row_number, at_us) filter (is_reading) as row_number,
    arg_max(file_id, at_us) filter (is_reading) as last_file_id,
    arg_max(row_number, at_us) filter (is_reading) as last_row_number,
from judged
cross join core.shop_setting as shop
group by judged.machine, counter, timer, started_us
having max(coalesce(at_us + length_us, at_us)) >= (
    select first_us from timers
    where timers.machine = judged.machine and timers.counter = judged.counter and timers.timer = judged.timer
)
order by judged.machine, counter, timer, started_us

-- The time line: every machine's first to last record, tiled by stretches with exactly one state each.
-- All signals are added up in one sweep; a stretch of the better basis (stream before list) wins. Outside shifts held
-- and faulted count for at most off_shift_hold_max_s in a row.
-- Grain: machine x stretch of time.
with
calendar_and_setup as (
    select machine, 'shift' as signal, epoch_us(started_at) as started_us, epoch_us(ended_at) as ended_us
    from core.shift
    union all
    select machine, 'setup', started_us, ended_us from core.setup_window
),

told as (
    select machine, signal, started_us, ended_us from core.stream_signal
    union all
    select machine, signal, started_us, ended_us from core.record_signal
),

signals as (
    select machine, signal, started_us, ended_us from told
    union all
    select machine, 'known', min(started_us), max(ended_us) from told
    where signal in ('stream', 'record', 'seen', 'lost')
    group by machine
    union all
    select machine, signal, started_us, ended_us from calendar_and_setup
),

deltas as (
    select machine, started_us as at_us, signal, 1 as delta from signals
    union all
    select machine, ended_us, signal, -1 from signals
),

overrides as (
    select
        event.machine,
        epoch_us(event.occurred_at) as at_us,
        last(try_cast(event.value as decimal(9, 3))::double order by event.file_id, event.row_number) as feed_override,
    from core.event as event
    inner join core.stream_extent as extent using (machine)
    where event.item = 'PathFeedrateOverride' and coalesce(event.sub_type, 'PROGRAMMED') <> 'RAPID'
    group by event.machine, event.occurred_at
),

instants as (
    select
        machine,
        at_us,
        sum(delta) filter (signal = 'known') as known,
        sum(delta) filter (signal = 'stream') as stream,
        sum(delta) filter (signal = 'active') as active,
        sum(delta) filter (signal = 'hold') as hold,
        sum(delta) filter (signal = 'stop') as stop,
        sum(delta) filter (signal = 'ready') as ready,
        sum(delta) filter (signal in ('away', 'silent')) as away,
        sum(delta) filter (signal = 'fault') as fault,
        sum(delta) filter (signal = 'manual') as manual,
        sum(delta) filter (signal = 'turning') as turning,
        sum(delta) filter (signal = 'feeding') as feeding,
        sum(delta) filter (signal = 'changing') as changing,
        sum(delta) filter (signal = 'listed_change') as listed_change,
        sum(delta) filter (signal = 'record') as record,
        sum(delta) filter (signal = 'seen') as seen,
        sum(delta) filter (signal = 'lost') as lost,
        sum(delta) filter (signal = 'cycle') as cycle,
        sum(delta) filter (signal = 'noncut') as noncut,
        sum(delta) filter (signal = 'shared') as shared,
        sum(delta) filter (signal = 'shift') as shift,
        sum(delta) filter (signal = 'setup') as setup,
        null::double as feed_override,
    from deltas
    group by machine, at_us
    union all by name
    select machine, at_us, feed_override from overrides
),

standing as (
    select
        machine,
        at_us as started_us,
        lead(at_us) over (partition by machine order by at_us, feed_override nulls first) as ended_us,
        coalesce(sum(known) over upto, 0) > 0 as is_known,
        coalesce(sum(stream) over upto, 0) > 0 as in_stream,
        coalesce(sum(active) over upto, 0) > 0 as is_active,
        coalesce(sum(hold) over upto, 0) > 0 as is_hold,
        coalesce(sum(stop) over upto, 0) > 0 as is_stop,
        coalesce(sum(ready) over upto, 0) > 0 as is_ready,
        coalesce(sum(away) over upto, 0) > 0 as is_away,
        coalesce(sum(fault) over upto, 0) > 0 as is_fault,
        coalesce(sum(manual) over upto, 0) > 0 as is_manual,
        coalesce(sum(turning) over upto, 0) > 0 as is_turning,
        coalesce(sum(feeding) over upto, 0) > 0 as is_feeding,
        coalesce(sum(changing) over upto, 0) > 0 as is_changing,
        coalesce(sum(listed_change) over upto, 0) > 0 as is_listed_change,
        coalesce(sum(record) over upto, 0) > 0 as in_record,
        coalesce(sum(seen) over upto, 0) > 0 as is_seen,
        coalesce(sum(lost) over upto, 0) > 0 as is_lost,
        coalesce(sum(cycle) over upto, 0) > 0 as in_cycle,
        coalesce(sum(noncut) over upto, 0) > 0 as is_noncut,
        coalesce(sum(shared) over upto, 0) > 0 as is_shared,
        coalesce(sum(shift) over upto, 0) > 0 as planned,
        coalesce(sum(setup) over upto, 0) > 0 as is_setup,
        last_value(feed_override ignore nulls) over upto as feed_override,
    from instants
    window upto as (
        partition by machine
        order by at_us, feed_override nulls first
        rows between unbounded preceding and current row
    )
),

observed as (
    select
        standing.*,
        in_stream and not is_away and (is_active or is_hold or is_stop or is_ready) as by_stream,
        (is_turning or not coalesce(extent.has_speed, false))
        and (is_feeding or not coalesce(extent.has_feed, false))
        and not is_changing as is_cut,
        coalesce(extent.has_speed or extent.has_feed, false) as tells_cutting,
    from standing
    left join core.stream_extent as extent using (machine)
    where ended_us > started_us and is_known
),

judged as (
    select
        machine,
        started_us,
        ended_us,
        planned,
        case
            when by_stream and is_fault then 'faulted'
            when by_stream and is_active and is_cut then 'cutting'
            when by_stream and is_active then 'noncutting'
            when by_stream and (is_hold or is_stop) then 'held'
            when not by_stream and in_cycle and (is_noncut or is_listed_change) then 'noncutting'
            when not by_stream and in_cycle then 'cutting'
            when not by_stream and (is_lost or not (in_record or is_seen)) then 'unobserved'
            when not planned then 'off_shift'
            when is_setup or (by_stream and is_manual) then 'setup'
            else 'idle'
        end as state,
        case when by_stream and not is_active and not is_fault then
            case when is_stop then 'stop' when is_hold then 'hold' end
        end as detail,
        case when by_stream and is_active then feed_override end as feed_override,
        case
            when by_stream and is_active and not is_fault then if(tells_cutting, 'measured', 'estimated')
            when by_stream or not in_record then 'measured'
            when in_cycle and not is_shared and not is_listed_change then 'estimated'
            else 'derived'
        end as basis,
    from observed
),

-- held and faulted outside a shift, in a row, up to the shop's limit
stretched as (
    select
        *,
        state in ('held', 'faulted') and not planned as is_late,
        sum((planned or state not in ('held', 'faulted'))::bigint) over (
            partition by machine order by started_us rows between unbounded preceding and current row
        ) as late_group,
    from judged
),

timed as (
    select
        stretched.*,
        (shop.off_shift_hold_max_s * 1e6)::bigint - coalesce(
            sum(ended_us - started_us) filter (is_late) over (
                partition by machine, late_group order by started_us rows between unbounded preceding and 1 preceding
            )::bigint,
            0
        ) as left_us,
    from stretched
    cross join core.shop_setting as shop
),

limited as (
    select * exclude (state, ended_us, detail), state, detail,
        if(is_late, least(ended_us, started_us + greatest(left_us, 0)), ended_us) as ended_us
    from timed
    union all by name
    select * exclude (state, started_us, detail), 'off_shift' as state, null as detail,
        greatest(started_us, least(ended_us, started_us + greatest(left_us, 0))) as started_us
    from timed
    where is_late and ended_us - started_us > greatest(left_us, 0)
),

islands as (
    select
        *,
        sum(is_new::bigint) over (
            partition by machine order by started_us rows between unbounded preceding and current row
        ) as island,
    from (
        select
            *,
            (state, planned, coalesce(detail, ''), coalesce(feed_override, -1), basis) is distinct from lag(
                (state, planned, coalesce(detail, ''), coalesce(feed_override, -1), basis)
            ) over (partition by machine order by started_us) as is_new,
        from limited
        where ended_us > started_us
    )
)

select
    machine,
    make_timestamptz(min(started_us)) as started_at,
    make_timestamptz(max(ended_us)) as ended_at,
    any_value(state) as state,
    any_value(planned) as planned,
    any_value(detail) as detail,
    any_value(feed_override) as feed_override,
    any_value(basis) as basis,
from islands
group by machine, island

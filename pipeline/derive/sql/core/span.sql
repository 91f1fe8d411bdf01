-- The time line: every machine's first to last record, tiled by stretches with exactly one state each.
-- Every signal is one digit of a binary number; one sweep adds the digits up, and few numbers occur, so that each is judged
-- once. A stretch of the better basis (stream before list) wins. Outside shifts held and faulted count for at most
-- off_shift_hold_max_s in a row.
-- Grain: machine x stretch of time.
-- Renewed: by window.
with
told as (
    select machine, signal, started_us, ended_us, may_overlap from core.stream_signal
    union all
    select machine, signal, started_us, ended_us, true from core.record_signal
),

known as (
    select machine, min(started_us) as started_us, max(ended_us) as ended_us
    from told
    where signal in ('stream', 'record', 'seen', 'lost')
    group by machine
),

signals as (
    select machine, signal, started_us, ended_us, may_overlap from told
    union all
    select machine, 'known', started_us, ended_us, false from known
    union all
    select machine, 'shift', epoch_us(started_at), epoch_us(ended_at), true from core.shift
    union all
    select machine, 'setup', started_us, ended_us, true from core.setup_window
),

digits as (
    from (
        values
        ('known', 0), ('stream', 1), ('active', 2), ('hold', 3), ('stop', 4), ('ready', 5), ('away', 6), ('silent', 7),
        ('fault', 8), ('manual', 9), ('turning', 10), ('feeding', 11), ('changing', 12), ('listed_change', 13),
        ('record', 14), ('seen', 15), ('lost', 16), ('cycle', 17), ('noncut', 18), ('shared', 19), ('shift', 20),
        ('setup', 21)
    ) as listed (signal, digit)
),

numbered as not materialized (
    select machine, 1::bigint << digit as number, started_us, ended_us, may_overlap
    from signals
    inner join digits using (signal)
),

edges as not materialized (
    select machine, number, started_us as at_us, 1 as step, may_overlap from numbered
    union all
    select machine, number, ended_us, -1, may_overlap from numbered
),

-- stretches of one signal that overlap or touch are one: a digit is never more than 1
counted as (
    select
        machine,
        number,
        at_us,
        step,
        sum(step) over (
            partition by machine, number order by at_us, step desc rows between unbounded preceding and current row
        ) as standing,
    from edges
    where may_overlap
),

-- in thousandths of a per cent: whole numbers, so that steps add up exactly
overrides as (
    select
        event.machine,
        epoch_us(event.occurred_at) as at_us,
        event.file_id,
        event.row_number,
        (try_cast(event.value as decimal(9, 3)) * 1000)::bigint as override,
    from core.event as event
    inner join core.stream_extent using (machine)
    where
        event.item = 'PathFeedrateOverride'
        and coalesce(event.sub_type, 'PROGRAMMED') <> 'RAPID'
        and try_cast(event.value as decimal(9, 3)) is not null
),

steps as (
    select machine, at_us, step * number as step, null as override_step from edges where not may_overlap
    union all
    select machine, at_us, step * number, null from counted where standing = if(step = 1, 1, 0)
    union all
    select
        machine,
        at_us,
        0,
        override - lag(override, 1, 0) over (partition by machine order by at_us, file_id, row_number),
    from overrides
),

standing as (
    select
        machine,
        at_us as started_us,
        lead(at_us) over upto as ended_us,
        (sum(step) over upto)::bigint as digits,
        (sum(override_step) over upto)::bigint as override,
    from steps
    window upto as (partition by machine order by at_us rows between unbounded preceding and current row)
    qualify ended_us > started_us
),

seen as (
    select
        number.machine,
        number.digits,
        list(digits.signal) as now,
        coalesce(any_value(extent.has_speed), false) as has_speed,
        coalesce(any_value(extent.has_feed), false) as has_feed,
    from (select distinct machine, digits from standing) as number
    inner join digits on (number.digits >> digits.digit) & 1 = 1
    left join core.stream_extent as extent using (machine)
    group by number.machine, number.digits
),

observed as (
    select
        machine,
        digits,
        now,
        'stream' in now
        and not ('away' in now or 'silent' in now)
        and ('active' in now or 'hold' in now or 'stop' in now or 'ready' in now) as by_stream,
        ('turning' in now or not has_speed) and ('feeding' in now or not has_feed) and 'changing' not in now as is_cut,
        has_speed or has_feed as tells_cutting,
        'shift' in now as planned,
    from seen
    where 'known' in now
),

judged as (
    select
        machine,
        digits,
        planned,
        case
            when by_stream and 'fault' in now then 'faulted'
            when by_stream and 'active' in now and is_cut then 'cutting'
            when by_stream and 'active' in now then 'noncutting'
            when by_stream and ('hold' in now or 'stop' in now) then 'held'
            when not by_stream and 'cycle' in now and ('noncut' in now or 'listed_change' in now) then 'noncutting'
            when not by_stream and 'cycle' in now then 'cutting'
            when not by_stream and ('lost' in now or not ('record' in now or 'seen' in now)) then 'unobserved'
            when not planned then 'off_shift'
            when 'setup' in now or (by_stream and 'manual' in now) then 'setup'
            else 'idle'
        end as state,
        case when by_stream and not ('active' in now or 'fault' in now) then
            case when 'stop' in now then 'stop' when 'hold' in now then 'hold' end
        end as detail,
        case
            when by_stream and 'active' in now and 'fault' not in now then if(tells_cutting, 'measured', 'estimated')
            when by_stream or 'record' not in now then 'measured'
            when 'cycle' in now and not ('shared' in now or 'listed_change' in now) then 'estimated'
            else 'derived'
        end as basis,
        by_stream and 'active' in now as tells_override,
        state in ('held', 'faulted') and not planned as is_late,
    from observed
),

-- what a stretch is, as one number: stretches are compared with the one before
looks as (
    select *, row_number() over () as look
    from (
        select state, planned, detail, basis from judged
        union
        select 'off_shift', false, null, basis from judged where is_late
    )
),

-- few rows: joined to the stretches as they are
kinds as materialized (
    select
        judged.machine, judged.digits, judged.is_late, judged.tells_override, own.look, too_late.look as look_too_late,
    from judged
    inner join looks as own
        on judged.state = own.state
        and judged.planned = own.planned
        and judged.detail is not distinct from own.detail
        and judged.basis = own.basis
    left join looks as too_late
        on judged.is_late
        and judged.basis = too_late.basis
        and too_late.state = 'off_shift'
        and not too_late.planned
),

stretches as (
    select
        standing.machine,
        standing.started_us,
        standing.ended_us,
        kinds.look,
        kinds.look_too_late,
        kinds.is_late,
        if(kinds.tells_override, standing.override, null) as override,
    from standing
    inner join kinds using (machine, digits)
),

-- held and faulted outside a shift, in a row, up to the shop's limit
late_rows as (
    select *, started_us is distinct from lag(ended_us) over (partition by machine order by started_us) as is_first
    from stretches
    where is_late
),

late_groups as (
    select
        *,
        sum(is_first::int) over (
            partition by machine order by started_us rows between unbounded preceding and current row
        ) as late_group,
    from late_rows
),

late as (
    select
        late_groups.*,
        greatest(
            (shop.off_shift_hold_max_s * 1e6)::bigint - coalesce(
                sum(ended_us - started_us) over (
                    partition by machine, late_group order by started_us
                    rows between unbounded preceding and 1 preceding
                )::bigint,
                0
            ),
            0
        ) as left_us,
    from late_groups
    cross join core.shop_setting as shop
),

limited as (
    select machine, started_us, look, override from stretches where not is_late
    union all
    select machine, started_us, look, override from late where left_us > 0
    union all
    select machine, started_us + left_us, look_too_late, override from late where ended_us - started_us > left_us
),

changes as (
    select *
    from limited
    window in_order as (partition by machine order by started_us)
    qualify
        look is distinct from lag(look) over in_order
        or override is distinct from lag(override) over in_order
)

select
    changes.machine,
    make_timestamptz(changes.started_us) as started_at,
    make_timestamptz(
        lead(changes.started_us, 1, known.ended_us) over (partition by changes.machine order by changes.started_us)
    ) as ended_at,
    looks.state,
    looks.planned,
    looks.detail,
    changes.override / 1000 as feed_override,
    looks.basis,
from changes
inner join looks using (look)
inner join known using (machine)

-- Stretches without any record longer than silent_after_s, where the stream has a sign of life: samples or counters
-- whose 99th-percentile gap is under a third of silent_after_s. The sign of life is asked for separately while the
-- control is ACTIVE and while it is not: counters that tick only in a cycle say nothing about the pause after it.
-- Grain: machine x silent stretch, from the last record before it to the first after it.
with
events as (
    select
        event.machine,
        epoch_us(event.occurred_at) as at_us,
        event.level is null
        and try_cast(event.value as double) is not null
        and event.item not in (
            'Program', 'ToolNumber', 'PartCount', 'PathFeedrateOverride', 'RotaryVelocityOverride', 'LineNumber'
        ) as is_sample,
    from core.event as event
    inner join core.stream_extent using (machine)
),

active as (
    select machine, started_us as at_us, 1 as paths from core.execution where execution = 'ACTIVE'
    union all
    select machine, ended_us, -1 from core.execution where execution = 'ACTIVE'
),

-- a path changes only where there are events: every row of `active` meets an instant
changes as (
    select machine, at_us, is_sample, 0 as paths from events
    union all
    select machine, at_us, false, paths from active
),

counted as (
    select machine, at_us, bool_or(is_sample) as has_sample, sum(paths) as paths from changes group by machine, at_us
),

instants as (
    select
        machine,
        at_us,
        has_sample,
        sum(paths) over (
            partition by machine order by at_us rows between unbounded preceding and current row
        ) > 0 as is_active,
    from counted
),

sample_gaps as (
    select machine, is_active, lead(at_us) over (partition by machine order by at_us) - at_us as gap_us
    from instants
    where has_sample
),

signs_of_life as (
    select machine, is_active, quantile_disc(gap_us, 0.99) as usual_gap_us
    from sample_gaps
    where gap_us is not null
    group by machine, is_active
),

gaps as (
    select machine, is_active, at_us as started_us, lead(at_us) over (partition by machine order by at_us) as ended_us
    from instants
)

select gaps.machine, gaps.started_us, gaps.ended_us, gaps.is_active
from gaps
inner join core.machine as machine using (machine)
inner join signs_of_life as sign using (machine, is_active)
where
    gaps.ended_us - gaps.started_us > machine.silent_after_s * 1e6
    and sign.usual_gap_us < machine.silent_after_s * 1e6 / 3

-- The sign of life of a stream: gaps between its samples or counters, and how many of them are short, under a third of
-- silent_after_s; apart while the control was ACTIVE and while it was not, as it stood when the gap began. Counts of
-- several days add up. Samples of one instant have no gap between them.
-- Grain: machine x is_active x UTC day on which the gap began.
-- Renewed: by window.
with
active as (
    select machine, started_us as at_us, 1 as step from core.execution where execution = 'ACTIVE'
    union all
    select machine, ended_us, -1 from core.execution where execution = 'ACTIVE'
),

told as (
    select event.machine, epoch_us(event.occurred_at) as at_us, true as is_sample, 0 as step
    from core.event as event
    inner join core.stream_extent using (machine)
    where
        event.level is null
        and try_cast(event.value as double) is not null
        and event.item not in (
            'Program', 'ToolNumber', 'PartCount', 'PathFeedrateOverride', 'RotaryVelocityOverride', 'LineNumber'
        )
    union all
    select machine, at_us, false, step from active
),

gaps as (
    select
        machine,
        is_sample,
        at_us,
        sum(step) over upto > 0 as is_active,
        lead(if(is_sample, at_us, null) ignore nulls) over upto - at_us as gap_us,
    from told
    -- what the control does at an instant stands before the samples of that instant
    window upto as (
        partition by machine order by at_us, is_sample rows between unbounded preceding and current row
    )
)

select
    gaps.machine,
    gaps.is_active,
    make_timestamp(gaps.at_us)::date as day_on,
    count(*) as gaps,
    count(*) filter (gaps.gap_us * 3 < machine.silent_after_s * 1e6) as short_gaps,
from gaps
inner join core.machine as machine using (machine)
where gaps.is_sample and gaps.gap_us > 0
group by gaps.machine, gaps.is_active, day_on

-- The shop's planned time for each machine: shifts less breaks and closed days, overlapping shifts counted once.
-- Grain: machine x working stretch.
-- Renewed: first.
with
-- of what starts at one instant the longest counts, so that the order by start has no ties
planned as (
    select
        machine.machine,
        min(calendar.shift_on) as shift_on,
        epoch_us(calendar.started_at) as started_us,
        max(epoch_us(calendar.ended_at)) as ended_us,
    from core.shift_calendar as calendar
    inner join core.machine as machine on calendar.machine = machine.machine or calendar.machine = '*'
    anti join core.closed_day as closed
        on calendar.shift_on = closed.closed_on and machine.machine = closed.machine
    group by machine.machine, calendar.started_at
),

marked as (
    select
        *,
        coalesce(
            started_us > max(ended_us) over (
                partition by machine order by started_us rows between unbounded preceding and 1 preceding
            ),
            true
        )
        or shift_on <> lag(shift_on) over (partition by machine order by started_us) as is_new,
    from planned
),

grouped as (
    select
        *,
        max(ended_us) over (
            partition by machine order by started_us rows between unbounded preceding and 1 preceding
        ) as ended_before_us,
        sum(is_new::bigint) over (
            partition by machine order by started_us rows between unbounded preceding and current row
        ) as stretch,
    from marked
),

merged as (
    select
        machine,
        min(shift_on) as shift_on,
        min(greatest(started_us, coalesce(ended_before_us, started_us))) as started_us,
        max(ended_us) as ended_us,
    from grouped
    where ended_us > coalesce(ended_before_us, started_us)
    group by machine, stretch
)

select machine, shift_on, make_timestamptz(started_us) as started_at, make_timestamptz(ended_us) as ended_at
from merged
where ended_us > started_us
order by machine, started_us

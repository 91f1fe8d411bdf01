-- Time outside shifts in which people work at a machine. Closed days call off weekly overtime, not that of set dates.
-- Grain: machine x stretch of time.
-- Renewed: first.
with
told as (
    select
        machine.machine,
        epoch_us(calendar.started_at) as started_us,
        epoch_us(calendar.ended_at) as ended_us,
    from core.overtime_calendar as calendar
    inner join core.machine as machine on calendar.machine = machine.machine or calendar.machine = '*'
    anti join core.closed_day as closed
        on not calendar.is_dated and calendar.shift_on = closed.closed_on and machine.machine = closed.machine
),

deltas as (
    select machine, started_us as at_us, 1 as overtime, 0 as shift from told
    union all
    select machine, ended_us, -1, 0 from told
    union all
    select machine, epoch_us(started_at), 0, 1 from core.shift
    union all
    select machine, epoch_us(ended_at), 0, -1 from core.shift
),

instants as (
    select machine, at_us, sum(overtime) as overtime, sum(shift) as shift from deltas group by machine, at_us
),

standing as (
    select
        machine,
        at_us as started_us,
        lead(at_us) over (partition by machine order by at_us) as ended_us,
        sum(overtime) over upto > 0 and sum(shift) over upto = 0 as is_overtime,
    from instants
    window upto as (partition by machine order by at_us rows between unbounded preceding and current row)
),

numbered as (
    select
        machine,
        started_us,
        ended_us,
        sum((not is_overtime)::bigint) over (
            partition by machine order by started_us rows between unbounded preceding and current row
        ) as stretch,
        is_overtime,
    from standing
)

select machine, make_timestamptz(min(started_us)) as started_at, make_timestamptz(max(ended_us)) as ended_at
from numbered
where is_overtime
group by machine, stretch
order by machine, started_at

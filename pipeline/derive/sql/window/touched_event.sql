-- The events of the days that changed, and the ends of states on them.
-- Grain: observation.
select event.* exclude (ended_at, end_within_s)
from @book.core.event as event
semi join core.touched_day as touched
    on event.machine = touched.machine
    -- a cast of all instants to dates costs more; a million days more, so that a day before 1970 ends where it does, too
    and (epoch_us(event.occurred_at) + 86400000000000000) // 86400000000 - 1000000 = touched.day
-- said again as plain values, so that blocks of other days need not be looked at
where event.occurred_at >= '@first_on'::timestamptz and event.occurred_at < '@until_on'::timestamptz
union all by name
select state_end.*
from core.state_end as state_end
semi join core.touched_day as touched
    on state_end.machine = touched.machine and state_end.occurred_at::date = touched.day_on

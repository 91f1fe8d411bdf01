-- The events of the days that changed.
-- Grain: observation.
select event.*
from @book.core.event as event
semi join core.touched_day as touched
    on event.machine = touched.machine
    -- a cast of all instants to dates costs more; a million days more, so that a day before 1970 ends where it does, too
    and (epoch_us(event.occurred_at) + 86400000000000000) // 86400000000 - 1000000 = touched.day
-- said again as plain values, so that blocks of other days need not be looked at
where event.occurred_at >= '@first_on'::timestamptz and event.occurred_at < '@until_on'::timestamptz

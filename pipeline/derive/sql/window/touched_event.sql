-- The events of the days that changed.
-- Grain: observation.
select event.*
from @book.core.event as event
semi join core.touched_day as touched
    on event.machine = touched.machine and event.occurred_at::date = touched.day_on
-- said again as plain values, so that blocks of other days need not be looked at
where event.occurred_at >= '@first_on'::timestamptz and event.occurred_at < '@until_on'::timestamptz

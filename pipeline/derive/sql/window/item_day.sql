-- What each item said on each day: as it stands in the book, but for the days that were derived now.
-- Grain: as core.item_day.
select day.*
from @book.core.item_day as day
anti join core.touched_day as touched on day.machine = touched.machine and day.day_on = touched.day_on
union all by name
from kept.item_day

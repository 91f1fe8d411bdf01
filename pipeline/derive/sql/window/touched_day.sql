-- UTC days of a machine whose events changed.
-- Grain: machine x UTC day.
select distinct machine, day_on, epoch_us(day_on::timestamptz) // 86400000000 as day
from @book.raw.touched
where kind = 'event' and machine is not null

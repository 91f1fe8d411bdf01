-- UTC days of a machine whose events changed.
-- Grain: machine x UTC day.
select distinct machine, day_on
from @book.raw.touched
where kind = 'event' and machine is not null

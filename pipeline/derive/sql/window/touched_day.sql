-- UTC days of a machine whose events changed, or the ends of its states.
-- Grain: machine x UTC day.
select distinct machine, day_on, epoch_us(day_on::timestamptz) // 86400000000 as day
from (
    select machine, day_on from @book.raw.touched where kind = 'event'
    union all
    select machine, day_on from core.end_moved
)
where machine is not null

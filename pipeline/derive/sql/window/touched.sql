-- UTC days since 1970 on which anything of a machine changed.
-- Grain: machine x UTC day.
select distinct machine, epoch_us(day_on::timestamptz) // 86400000000 as day
from (
    select machine, day_on from @book.raw.touched
    union all
    select machine, day_on from core.end_moved
)
where machine is not null and day_on is not null

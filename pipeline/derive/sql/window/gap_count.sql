-- The pauses between samples of all days, with those of the windows as they were derived now.
-- Grain: as core.gap_count.
select count.*
from @book.core.gap_count as count
where
    count.machine in (select machine from core.window)
    and not exists (
        select 1 from core.window as bounds
        where
            bounds.machine = count.machine
            and count.day_on >= bounds.keep_from_at::date
            and count.day_on < bounds.keep_until_at::date
    )
union all by name
from kept.gap_count
where machine in (select machine from core.window)

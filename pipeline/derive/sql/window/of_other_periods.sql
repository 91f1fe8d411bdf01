-- A relation of days or months as it will stand in the book: what was derived now, and all other days or months.
-- Grain: as @relation.
from kept.@name
union all by name
select kept.*
from @book.@relation as kept
where
    not exists (
        select 1 from core.period as period
        where period.machine = kept.machine and kept.@column between period.first_@column and period.last_@column
    )

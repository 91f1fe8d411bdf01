-- The rows of a relation that lie in the days or months at hand.
-- Grain: as @relation.
select kept.*
from @relation as kept
where
    exists (
        select 1 from core.period as period
        where period.machine = kept.machine and kept.@column between period.first_@column and period.last_@column
    )

-- Takes away the days or months that were derived anew.
-- Grain: as @relation.
delete from @relation as kept
using scratch.core.period as period
where period.machine = kept.machine and kept.@column between period.first_@column and period.last_@column

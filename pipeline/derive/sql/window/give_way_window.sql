-- Takes away what the windows brought anew.
-- Grain: as @relation.
delete from @relation as kept
using scratch.core.period as period
where period.machine = kept.machine and @at >= period.keep_from_at and @at < period.keep_until_at

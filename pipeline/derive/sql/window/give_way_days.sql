-- Takes away the days that were derived anew.
-- Grain: as @relation.
delete from @relation as old
using scratch.core.touched_day as touched
where old.machine = touched.machine and old.day_on = touched.day_on

-- Takes away what is of none of the machines at hand: settings and extents are known of all of them.
-- Grain: as @relation.
delete from @relation where machine not in (select machine from core.window)

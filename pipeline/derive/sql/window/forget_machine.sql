-- Takes away what was kept of one machine.
-- Grain: as @relation.
delete from @relation where machine = ?

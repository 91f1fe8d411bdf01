-- Takes away what is known anew of a machine as a whole.
-- Grain: as @relation.
delete from @relation as kept
where kept.machine in (select machine from scratch.kept.@name)

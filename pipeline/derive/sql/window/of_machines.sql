-- The rows of a relation of the machines at hand.
-- Grain: as @relation.
select kept.* from @relation as kept semi join core.window using (machine)

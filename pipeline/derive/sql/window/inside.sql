-- The rows of a relation that lie inside the windows at hand.
-- Grain: as @relation.
select kept.*
from @relation as kept
inner join core.window as bounds
    on kept.machine = bounds.machine and @at >= bounds.keep_from_at and @at < bounds.keep_until_at

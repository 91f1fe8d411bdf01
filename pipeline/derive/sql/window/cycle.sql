-- The listed cycles of the windows at hand.
-- Grain: listed cycle.
select cycle.*
from @book.core.cycle as cycle
inner join core.window as bounds using (machine)
where cycle.started_at >= bounds.read_from_at and cycle.started_at < bounds.read_until_at

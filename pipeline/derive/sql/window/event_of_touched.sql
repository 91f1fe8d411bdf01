-- The events of the machines of which any changed.
-- Grain: observation.
from @book.core.event
where machine in (select machine from @book.raw.touched where kind = 'event')

-- The ends of states of the machines none of whose events changed, as they stand in the book.
-- Grain: as core.state_end.
from @book.core.state_end
where machine not in (select machine from @book.raw.touched where kind = 'event' and machine is not null)

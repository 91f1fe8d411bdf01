-- All events, and the ends of states among them.
-- Grain: observation.
select * exclude (ended_at, end_within_s) from @book.core.event
union all by name
from core.state_end

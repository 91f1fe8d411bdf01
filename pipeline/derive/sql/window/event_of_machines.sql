-- The events of some machines, all of them, in the order in which they are stored, and the ends of their states.
-- Grain: observation.
select * exclude (ended_at, end_within_s)
from @book.core.event
where
    list_position(@machines, machine) is not null -- a long `in` would be a join, which mixes the rows
    -- said again as plain values, so that blocks of other machines need not be looked at
    and machine between @first and @last
union all by name
from core.state_end
where list_position(@machines, machine) is not null

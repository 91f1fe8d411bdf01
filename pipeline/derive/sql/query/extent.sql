-- First and last instant that any accepted row touches.
-- Grain: one row.
select min(first_at) as first_at, max(last_at) as last_at
from (
    select min(occurred_at) as first_at, greatest(max(occurred_at), max(ended_at)) as last_at from core.event
    union all
    select min(started_at), max(ended_at) from core.cycle
    union all
    select min(occurred_at), max(occurred_at) from core.edge_change
)

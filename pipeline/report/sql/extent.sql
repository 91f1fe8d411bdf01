-- First and last instant of which anything is known; a stale snapshot at the head of a stream is not one.
-- Grain: one row.
select min(started_at) as first_at, max(ended_at) as last_at
from core.span
where state <> 'unobserved'

-- Spans of a machine tile its first to last record: no gap, no overlap. A row here is a fault of the time line.
-- Grain: pair of spans that do not meet.
-- Renewed: by window.
select machine, ended_at, next_started_at
from (
    select machine, ended_at, lead(started_at) over (partition by machine order by started_at) as next_started_at
    from core.span
)
where next_started_at <> ended_at

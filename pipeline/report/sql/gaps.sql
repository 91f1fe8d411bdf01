-- Stretches inside planned time of which nothing is known, between a machine's first and last known instant.
-- Grain: machine x stretch.
with
known as (
    select machine, min(started_at) as first_at, max(ended_at) as last_at
    from core.span
    where state <> 'unobserved'
    group by machine
)

select span.machine, span.started_at, span.ended_at, (epoch_us(span.ended_at) - epoch_us(span.started_at)) / 3600e6 as hours
from core.span as span
inner join known on span.machine = known.machine
where
    span.state = 'unobserved'
    and span.planned
    and span.started_at >= known.first_at
    and span.ended_at <= known.last_at
order by span.machine, span.started_at

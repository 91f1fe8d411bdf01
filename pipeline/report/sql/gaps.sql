-- Stretches inside planned time of which nothing is known.
-- Grain: machine x stretch.
select machine, started_at, ended_at, (epoch_us(ended_at) - epoch_us(started_at)) / 3600e6 as hours
from core.span
where state = 'unobserved' and planned
order by machine, started_at

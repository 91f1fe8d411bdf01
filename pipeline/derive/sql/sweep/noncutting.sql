-- In cycle without cutting.
select machine, epoch_us(started_at) as started_us, epoch_us(ended_at) as ended_us, planned
from core.span
where state = 'noncutting'

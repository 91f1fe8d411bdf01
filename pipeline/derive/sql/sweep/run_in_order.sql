-- Runs in the order of their beginnings.
select machine, epoch_us(started_at) as started_us, epoch_us(ended_at) as ended_us, run_number
from core.cycle_seen
order by machine, started_at, run_id

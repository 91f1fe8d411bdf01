-- When anything was told.
select (list_position(@machines, machine) - 1)::smallint as machine_number, epoch_us(occurred_at) as at_us
from core.event
where list_position(@machines, machine) is not null

-- How many events there are.
-- Grain: machine x UTC day.
select machine, epoch_us(day_on::timestamptz) as at_us, sum(events)::bigint as events
from core.item_day
group by machine, day_on

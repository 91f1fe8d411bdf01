-- What spindles are called.
select distinct coalesce(data_item_id, path, item) as spindle
from core.item_day
where item in ('RotaryVelocity', 'SpindleSpeed')
order by spindle

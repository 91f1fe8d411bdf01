-- Whether a spindle was an axis, whenever its mode was told.
select
    machine,
    coalesce(path, '') || '|' || coalesce(data_item_id, item) as mode_item,
    epoch_us(occurred_at) as at_us,
    hash(file_id) as file_hash,
    row_number,
    value in ('INDEX', 'CONTOUR') as as_axis,
from core.event
where item = 'RotaryMode' and value is not null

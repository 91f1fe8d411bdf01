-- Whether spindles moved, whenever a speed was told: the actual one, or the commanded one where no actual is told.
select
    (list_position(@machines, machine) - 1)::smallint as machine_number,
    (list_position(@spindles, coalesce(data_item_id, path, item)) - 1)::smallint as spindle_number,
    epoch_us(occurred_at) as at_us,
    hash(file_id) as file_hash,
    row_number,
    coalesce(abs(try_cast(value as double)), 0) > 0 as is_moving,
from core.event
where
    list_position(@machines, machine) is not null
    and item in ('RotaryVelocity', 'SpindleSpeed')
    and (coalesce(sub_type, 'ACTUAL') = 'ACTUAL' or list_position(@with_commanded, machine) is not null)

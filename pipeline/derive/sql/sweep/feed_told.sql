-- Path feeds as they were told.
select
    (list_position(@machines, machine) - 1)::smallint as machine_number,
    (list_position(@paths, coalesce(path, '')) - 1)::smallint as path_number,
    epoch_us(occurred_at) as at_us,
    hash(file_id) as file_hash,
    row_number,
    coalesce(try_cast(value as double), -1) as number,
from core.event
where
    item = 'PathFeedrate'
    and list_position(@machines, machine) is not null
    and (coalesce(sub_type, 'ACTUAL') = 'ACTUAL' or list_position(@with_commanded, machine) is not null)

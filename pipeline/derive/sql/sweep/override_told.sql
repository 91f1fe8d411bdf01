-- Feed overrides as they were told, in thousandths of a per cent.
select
    (list_position(@machines, machine) - 1)::smallint as machine_number,
    (list_position(@paths, coalesce(path, '')) - 1)::smallint as path_number,
    epoch_us(occurred_at) as at_us,
    hash(file_id) as file_hash,
    row_number,
    (try_cast(value as decimal(9, 3)) * 1000)::double as number,
    coalesce(sub_type, '') = 'RAPID' as is_rapid,
from core.event
where
    item = 'PathFeedrateOverride'
    and list_position(@machines, machine) is not null
    and try_cast(value as decimal(9, 3)) is not null

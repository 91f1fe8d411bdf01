-- When a sample or a counter was told. A word is no sample, nor are numbers that stand as long as nobody changes them.
select
    (list_position(@machines, machine) - 1)::smallint as machine_number,
    epoch_us(occurred_at) as at_us,
from core.event
where
    list_position(@machines, machine) is not null
    and level is null
    and try_cast(value as double) is not null
    and item not in (
        'Program', 'ToolNumber', 'PartCount', 'PathFeedrateOverride', 'RotaryVelocityOverride', 'LineNumber'
    )

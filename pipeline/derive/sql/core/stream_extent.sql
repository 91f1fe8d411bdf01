-- First and last record of every machine's event stream, and what the stream can tell.
-- A signal that a stream never carries is not asked of it (DESIGN, states from data).
-- Grain: machine with at least one Execution observation.
select
    machine,
    epoch_us(min(occurred_at)) as first_us,
    epoch_us(max(occurred_at)) as last_us,
    count(*) filter (item in ('RotaryVelocity', 'SpindleSpeed') and try_cast(value as double) is not null) > 0
        as has_speed,
    count(*) filter (
        item in ('RotaryVelocity', 'SpindleSpeed')
        and coalesce(sub_type, 'ACTUAL') = 'ACTUAL'
        and try_cast(value as double) is not null
    ) > 0 as has_actual_speed,
    count(*) filter (item = 'PathFeedrate' and try_cast(value as double) is not null) > 0 as has_feed,
    count(*) filter (
        item = 'PathFeedrate'
        and coalesce(sub_type, 'ACTUAL') = 'ACTUAL'
        and try_cast(value as double) is not null
    ) > 0 as has_actual_feed,
    count(distinct try_cast(value as double)) filter (item = 'PartCount' and coalesce(sub_type, 'ALL') in ('ALL', 'GOOD'))
        > 1 as counts_parts,
    count(*) filter (item = 'PathFeedrateOverride') > 0 as has_override,
    count(*) filter (item = 'RotaryMode') > 0 as has_mode,
from core.event
group by machine
having count(*) filter (item = 'Execution') > 0

-- First and last record of every machine's event stream, and what the stream can tell.
-- A signal that a stream never carries is not asked of it (DESIGN, states from data).
-- Grain: machine with at least one Execution observation.
-- Renewed: first.
select
    machine,
    epoch_us(min(first_at)) as first_us,
    epoch_us(max(last_at)) as last_us,
    coalesce(bool_or(item in ('RotaryVelocity', 'SpindleSpeed') and is_number), false) as has_speed,
    coalesce(
        bool_or(item in ('RotaryVelocity', 'SpindleSpeed') and coalesce(sub_type, 'ACTUAL') = 'ACTUAL' and is_number),
        false
    ) as has_actual_speed,
    coalesce(bool_or(item = 'PathFeedrate' and is_number), false) as has_feed,
    coalesce(
        bool_or(item = 'PathFeedrate' and coalesce(sub_type, 'ACTUAL') = 'ACTUAL' and is_number), false
    ) as has_actual_feed,
    coalesce(
        min(least) filter (item = 'PartCount' and coalesce(sub_type, 'ALL') in ('ALL', 'GOOD'))
        < max(most) filter (item = 'PartCount' and coalesce(sub_type, 'ALL') in ('ALL', 'GOOD')),
        false
    ) as counts_parts,
    coalesce(bool_or(item = 'PartCount' and coalesce(sub_type, 'ALL') = 'ALL'), false) as counts_all_parts,
    bool_or(tells_completion) as tells_completion,
    count(distinct coalesce(data_item_id, path, item)) filter (item in ('RotaryVelocity', 'SpindleSpeed')) as spindles,
    count(distinct coalesce(data_item_id, path, item)) filter (
        item in ('RotaryVelocity', 'SpindleSpeed') and coalesce(sub_type, 'ACTUAL') = 'ACTUAL'
    ) as actual_spindles,
    count(distinct coalesce(path, '') || '|' || coalesce(data_item_id, item)) filter (item = 'RotaryMode') as spindle_modes,
    -- which items tell speeds and modes of spindles on a path, each as path and item: a mode is told whose it is by them all
    string_agg(distinct path || chr(31) || coalesce(data_item_id, path, item), chr(30) order by path || chr(31) || coalesce(data_item_id, path, item)) filter (
        item in ('RotaryVelocity', 'SpindleSpeed') and coalesce(sub_type, 'ACTUAL') = 'ACTUAL'
    ) as actual_spindle_items,
    string_agg(distinct path || chr(31) || coalesce(data_item_id, path, item), chr(30) order by path || chr(31) || coalesce(data_item_id, path, item)) filter (
        item in ('RotaryVelocity', 'SpindleSpeed')
    ) as spindle_items,
    string_agg(distinct path || chr(31) || coalesce(data_item_id, item), chr(30) order by path || chr(31) || coalesce(data_item_id, item)) filter (
        item = 'RotaryMode'
    ) as mode_items,
    coalesce(bool_or(item = 'PathFeedrateOverride'), false) as has_override,
    coalesce(bool_or(item = 'RotaryMode'), false) as has_mode,
from core.item_day
group by machine
having count(*) filter (item = 'Execution') > 0

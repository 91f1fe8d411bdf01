-- What can be known of the edges of a machine: whether anything tells of edges at all, and when a tool was changed, and which
-- Load is that of a spindle: those that say so in their id, sub_type or path, else the only one there is.
-- Grain: machine.
-- Renewed: first.
with
told as (
    select
        machine,
        coalesce(bool_or(item = 'ToolNumber' and value is not null), false) as numbers_tools,
        coalesce(bool_or(item = 'ToolLife'), false) as counts_lives,
        coalesce(bool_or(item = 'PathFeedrate' and is_number), false) as has_feed,
        coalesce(
            bool_or(item = 'PathFeedrate' and coalesce(sub_type, 'ACTUAL') = 'ACTUAL' and is_number), false
        ) as has_actual_feed,
        coalesce(bool_or(item in ('RotaryVelocity', 'SpindleSpeed') and is_number), false) as has_speed,
        coalesce(
            bool_or(item in ('RotaryVelocity', 'SpindleSpeed') and coalesce(sub_type, 'ACTUAL') = 'ACTUAL' and is_number),
            false
        ) as has_actual_speed,
        coalesce(
            bool_or(
                item = 'Load'
                and is_number
                and regexp_matches(
                    lower(concat_ws('|', data_item_id, sub_type, path)), '(^|[^a-z])(s[0-9]*[_-]?load|spindle)'
                )
            ),
            false
        ) as names_spindle_load,
        count(distinct concat_ws('|', data_item_id, '/', sub_type, '/', path)) filter (
            item = 'Load' and is_number
        ) as loads,
    from core.item_day
    where item in ('ToolNumber', 'ToolLife', 'PathFeedrate', 'Load', 'RotaryVelocity', 'SpindleSpeed')
    group by machine
)

select
    machine,
    coalesce(record_extent.has_edge_changes, false) or coalesce(told.counts_lives, false) as has_edges,
    coalesce(record_extent.has_tool_changes, false) or coalesce(told.numbers_tools, false) as tells_tools,
    coalesce(told.has_feed, false) as has_feed,
    coalesce(told.has_actual_feed, false) as has_actual_feed,
    coalesce(told.has_speed, false) as has_speed,
    coalesce(told.has_actual_speed, false) as has_actual_speed,
    coalesce(told.names_spindle_load, false) as names_spindle_load,
    coalesce(told.names_spindle_load or told.loads = 1, false) as has_load,
from core.machine
left join core.record_extent as record_extent using (machine)
left join told using (machine)

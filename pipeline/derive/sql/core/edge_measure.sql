-- Feed, spindle load and speed added up over time, to be read off at any instant: `area` is the sum of value x milliseconds up to
-- at_us, `known_us` the time in which there was a value. From at_us on `value` holds until the next row.
-- Grain: machine x measure (feed, load, speed) x source x instant at which it was told.
-- Renewed: in passing.
with
told as (
    select
        event.machine,
        case event.item when 'Load' then 'load' when 'PathFeedrate' then 'feed' else 'speed' end as measure,
        case
            when event.item = 'PathFeedrate' then coalesce(event.path, '')
            when event.item = 'Load' then concat_ws('|', event.data_item_id, '/', event.sub_type, '/', event.path)
            else coalesce(event.data_item_id, event.path, event.item)
        end as source,
        epoch_us(event.occurred_at) as at_us,
        event.file_id,
        event.row_number,
        -- what no machine can do is not known
        case
            when abs(try_cast(event.value as double)) >= 1e6 then null
            when event.item in ('RotaryVelocity', 'SpindleSpeed') then abs(try_cast(event.value as double))
            else try_cast(event.value as double)
        end as value,
    from core.event as event
    inner join core.edge_trait as trait on event.machine = trait.machine and trait.has_edges
    where
        (
            event.item = 'PathFeedrate'
            and trait.has_feed
            and (coalesce(event.sub_type, 'ACTUAL') = 'ACTUAL' or not trait.has_actual_feed)
        )
        or (
            event.item in ('RotaryVelocity', 'SpindleSpeed')
            and trait.has_speed
            and (coalesce(event.sub_type, 'ACTUAL') = 'ACTUAL' or not trait.has_actual_speed)
        )
        or (
            event.item = 'Load'
            and trait.has_load
            and (
                not trait.names_spindle_load
                or regexp_matches(
                    lower(concat_ws('|', event.data_item_id, event.sub_type, event.path)),
                    '(^|[^a-z])(s[0-9]*[_-]?load|spindle)'
                )
            )
        )
),

-- of several values at one instant the last counts
stretches as (
    select
        machine,
        measure,
        source,
        at_us,
        value,
        lead(at_us) over in_order - at_us as length_us,
    from told
    window in_order as (partition by machine, measure, source order by at_us, file_id, row_number)
    qualify length_us is distinct from 0
)

-- whole numbers, so that sums do not depend on where they begin
select
    machine,
    measure,
    source,
    at_us,
    value,
    coalesce(
        sum(coalesce((value * length_us / 1000)::bigint, 0)) over before_it, 0
    )::bigint as area,
    coalesce(sum(if(value is null, 0, length_us)) over before_it, 0)::bigint as known_us,
from stretches
window before_it as (
    partition by machine, measure, source order by at_us rows between unbounded preceding and 1 preceding
)

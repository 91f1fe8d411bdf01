-- Path feed rate with the overrides that stood beside it, as stretches; `is_cutting_feed` is a feed above zero
-- and below 90 % of the machine's rapid rate x rapid override (common practice, no source). At a rapid override of
-- zero nothing can move at rapid, so every feed is a cutting feed. `is_blocked`: nothing moves while an override is at
-- zero.
-- Grain: machine x path x change of feed or override.
with
observed as (
    select
        event.machine,
        coalesce(event.path, '') as path,
        epoch_us(event.occurred_at) as started_us,
        event.file_id,
        event.row_number,
        extent.last_us,
        case when event.item = 'PathFeedrate' then coalesce(try_cast(event.value as double), -1) end as feed_mm_min,
        case
            when event.item = 'PathFeedrateOverride' and event.sub_type = 'RAPID' then try_cast(event.value as decimal(9, 3))::double
        end as rapid_override,
        case
            when event.item = 'PathFeedrateOverride' and event.sub_type is distinct from 'RAPID'
                then try_cast(event.value as decimal(9, 3))::double
        end as feed_override,
    from core.event as event
    inner join core.stream_extent as extent using (machine)
    where
        event.item = 'PathFeedrateOverride'
        or (
            event.item = 'PathFeedrate'
            and (coalesce(event.sub_type, 'ACTUAL') = 'ACTUAL' or not extent.has_actual_feed)
        )
),

filled as (
    select
        machine,
        path,
        started_us,
        lead(started_us, 1, last_us) over in_order as ended_us,
        last_value(feed_mm_min ignore nulls) over in_order as feed_mm_min,
        last_value(rapid_override ignore nulls) over in_order as rapid_override,
        last_value(feed_override ignore nulls) over in_order as feed_override,
    from observed
    window in_order as (
        partition by machine, path
        order by started_us, file_id, row_number
        rows between unbounded preceding and current row
    )
)

select
    filled.machine,
    filled.path,
    filled.started_us,
    filled.ended_us,
    filled.feed_mm_min,
    filled.feed_mm_min > 0
    and (
        machine.rapid_mm_min is null
        or coalesce(filled.rapid_override, 100) = 0
        or filled.feed_mm_min < 0.9 * machine.rapid_mm_min * coalesce(filled.rapid_override, 100) / 100
    ) as is_cutting_feed,
    filled.feed_mm_min = 0 and (filled.rapid_override = 0 or filled.feed_override = 0) as is_blocked,
from filled
inner join core.machine as machine using (machine)
where filled.ended_us > filled.started_us

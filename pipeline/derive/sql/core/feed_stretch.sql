-- Where the path feed is a cutting feed, and where an override at zero lets nothing move (`is_blocked`).
-- A cutting feed is above zero and below 90 % of the machine's rapid rate x rapid override (common practice, no source).
-- At a rapid override of zero nothing can move at rapid, so every feed is a cutting feed. A feed that changes from one
-- cutting feed to another is no news to the time line: its stretch goes on. Feeds come by the million, so each is put into
-- a class that is judged alike whatever the override, and only changes of class are looked at further.
-- Grain: machine x path x stretch in which one of them holds and neither changes.
-- Renewed: in passing.
with
-- in thousandths of a per cent: whole numbers, so that steps add up exactly
overrides as (
    select
        event.machine,
        coalesce(event.path, '') as path,
        epoch_us(event.occurred_at) as at_us,
        event.file_id,
        event.row_number,
        coalesce(event.sub_type, '') = 'RAPID' as is_rapid,
        (try_cast(event.value as decimal(9, 3)) * 1000)::bigint as override,
    from core.event as event
    inner join core.stream_extent using (machine)
    where event.item = 'PathFeedrateOverride' and try_cast(event.value as decimal(9, 3)) is not null
),

-- an override that was never told stands at 100 %
extremes as (
    select
        machine.machine,
        machine.rapid_mm_min,
        least(coalesce(min(override) filter (is_rapid and override <> 0), 100000), 100000) as least_override,
        greatest(coalesce(max(override) filter (is_rapid), 100000), 100000) as most_override,
        coalesce(bool_or(override = 0), false) as stands_at_nought,
    from core.machine as machine
    left join overrides using (machine)
    group by machine.machine, machine.rapid_mm_min
),

-- from which feed on some override makes it a rapid, and from which every one but nought does
limits as (
    select
        machine,
        stands_at_nought or least_override < most_override as is_overridden,
        stands_at_nought,
        0.9 * rapid_mm_min * (least_override / 1000) / 100 as least_mm_min,
        0.9 * rapid_mm_min * (most_override / 1000) / 100 as most_mm_min,
    from extremes
),

-- a feed of the same sign, on the same side of every limit as the one that was told; 0 stands for all that never cut
classed as (
    select
        event.machine,
        coalesce(event.path, '') as path,
        epoch_us(event.occurred_at) as at_us,
        event.file_id,
        event.row_number,
        limits.is_overridden,
        case
            when feed_mm_min = 0 then 0
            when feed_mm_min < 0 then if(limits.stands_at_nought, -1, 0)
            when limits.least_mm_min is null then 1
            when feed_mm_min < limits.least_mm_min then limits.least_mm_min / 2
            when feed_mm_min < limits.most_mm_min then feed_mm_min
            else if(limits.stands_at_nought, limits.most_mm_min, 0)
        end as feed_class,
    from (
        select *, coalesce(try_cast(value as double), -1) as feed_mm_min
        from core.event
        where item = 'PathFeedrate'
    ) as event
    inner join core.stream_extent as extent using (machine)
    inner join limits using (machine)
    where coalesce(event.sub_type, 'ACTUAL') = 'ACTUAL' or not extent.has_actual_feed
),

feeds as (
    select *
    from classed
    qualify
        feed_class is distinct from lag(feed_class) over (
            partition by machine, path order by at_us, file_id, row_number
        )
),

steps as (
    select
        *,
        override - lag(override, 1, 100000) over (
            partition by machine, path, is_rapid order by at_us, file_id, row_number
        ) as step,
    from overrides
    where machine in (select machine from limits where is_overridden)
    qualify step <> 0
),

overridden as (
    select machine, path, at_us, file_id, row_number, feed_class, 0 as rapid_step, 0 as feed_step
    from feeds
    where is_overridden
    union all
    select machine, path, at_us, file_id, row_number, null, if(is_rapid, step, 0), if(is_rapid, 0, step) from steps
),

observed as (
    select
        machine,
        path,
        at_us,
        file_id,
        row_number,
        coalesce(last_value(feed_class ignore nulls) over upto, -1) as feed_mm_min,
        100000 + sum(rapid_step) over upto as rapid_override,
        100000 + sum(feed_step) over upto as feed_override,
    from overridden
    window upto as (
        partition by machine, path
        order by at_us, file_id, row_number
        rows between unbounded preceding and current row
    )
),

judged as (
    select
        observed.machine,
        observed.path,
        observed.at_us,
        observed.file_id,
        observed.row_number,
        observed.feed_mm_min > 0
        and (
            machine.rapid_mm_min is null
            or observed.rapid_override = 0
            or observed.feed_mm_min < 0.9 * machine.rapid_mm_min * (observed.rapid_override / 1000) / 100
        ) as is_cutting_feed,
        observed.feed_mm_min = 0 and (observed.rapid_override = 0 or observed.feed_override = 0) as is_blocked,
    from observed
    inner join core.machine as machine using (machine)
),

changes as (
    select *
    from judged
    window in_order as (partition by machine, path order by at_us, file_id, row_number)
    qualify
        is_cutting_feed is distinct from lag(is_cutting_feed) over in_order
        or is_blocked is distinct from lag(is_blocked) over in_order
    union all
    -- most machines are never overridden so that it matters
    select machine, path, at_us, file_id, row_number, feed_class > 0, false from feeds where not is_overridden
),

stretches as (
    select
        changes.machine,
        changes.path,
        changes.at_us as started_us,
        lead(changes.at_us, 1, extent.last_us) over (
            partition by changes.machine, changes.path order by changes.at_us, changes.file_id, changes.row_number
        ) as ended_us,
        changes.is_cutting_feed,
        changes.is_blocked,
    from changes
    inner join core.stream_extent as extent using (machine)
)

select machine, path, started_us, ended_us, is_cutting_feed, is_blocked
from stretches
where ended_us > started_us and (is_cutting_feed or is_blocked)

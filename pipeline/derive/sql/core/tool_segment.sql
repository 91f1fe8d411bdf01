-- The part of a listed cycle that one tool had, with the share of it that the estimate calls non-cutting.
-- Time before a cycle's first change belongs to the tool already in the spindle. `share` is empty where neither CAM
-- nor the quote gives one; `change_us` is the tool change's own time at the head of the segment.
-- Grain: listed cycle x tool stretch inside it.
-- Renewed: in passing.
with
listed as (
    select
        run_id, machine, estimate_id, epoch_us(started_at) as started_us, epoch_us(ended_at) as ended_us,
    from core.cycle_seen
    where basis = 'derived'
),

cut_up as (
    select
        listed.run_id,
        listed.machine,
        listed.estimate_id,
        stretch.tool,
        greatest(listed.started_us, stretch.started_us) as started_us,
        least(listed.ended_us, coalesce(stretch.ended_us, listed.ended_us)) as ended_us,
        stretch.changed_until_us,
    from listed
    inner join core.tool_stretch as stretch
        on listed.machine = stretch.machine
        and stretch.started_us < listed.ended_us
        and coalesce(stretch.ended_us, 9223372036854775807) > listed.started_us
),

before_any_change as (
    -- no tool is known yet: the machine's first recorded change comes later, or it has none at all
    select
        listed.run_id,
        listed.machine,
        listed.estimate_id,
        null::varchar as tool,
        listed.started_us,
        least(listed.ended_us, coalesce(first_change.started_us, listed.ended_us)) as ended_us,
        null::bigint as changed_until_us,
    from listed
    left join (select machine, min(started_us) as started_us from core.tool_stretch group by machine) as first_change
        using (machine)
    where first_change.started_us is null or first_change.started_us > listed.started_us
),

segments as (
    select * from cut_up
    union all
    select * from before_any_change
),

shares as (
    select estimate_id, tool, noncut_s / nullif(cut_s + noncut_s, 0) as share
    from core.estimate_line
    where tool is not null
),

whole_shares as (
    select estimate_id, sum(noncut_s) / nullif(sum(cut_s + noncut_s), 0) as share
    from core.estimate_line
    group by estimate_id
)

select
    segments.run_id,
    segments.machine,
    segments.tool,
    segments.started_us,
    segments.ended_us,
    greatest(
        0, least(coalesce(segments.changed_until_us, segments.started_us), segments.ended_us) - segments.started_us
    ) as change_us,
    case when segments.tool is null then whole_shares.share else shares.share end as share,
from segments
left join shares on segments.estimate_id = shares.estimate_id and segments.tool = shares.tool
left join whole_shares on segments.estimate_id = whole_shares.estimate_id

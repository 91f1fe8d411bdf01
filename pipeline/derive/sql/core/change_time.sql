-- Tool changes in cycle: the time that is noncutting because a tool changes. Changes and spans are disjoint each and meet
-- by the five minutes, at whose ends a stretch is cut.
-- Grain: machine x stretch.
-- Renewed: by window.
with
spans as (
    select machine, planned, epoch_us(started_at) as started_us, epoch_us(ended_at) as ended_us
    from core.span
    where state = 'noncutting'
),

last_ends as (
    select machine, max(epoch_us(ended_at)) as last_us from core.span group by machine
),

changes as (
    select stretch.machine, stretch.started_us, least(stretch.changed_until_us, last_ends.last_us) as ended_us
    from core.tool_stretch as stretch
    inner join last_ends using (machine)
    where least(stretch.changed_until_us, last_ends.last_us) > stretch.started_us
),

changes_by_bucket as (
    select *, unnest(generate_series(started_us // 300000000, (ended_us - 1) // 300000000)) as bucket from changes
),

spans_by_bucket as (
    select *, unnest(generate_series(started_us // 300000000, (ended_us - 1) // 300000000)) as bucket from spans
),

pieces as (
    select
        machine,
        spans.planned,
        greatest(changes.started_us, spans.started_us, bucket * 300000000) as started_us,
        least(changes.ended_us, spans.ended_us, (bucket + 1) * 300000000) as ended_us,
    from changes_by_bucket as changes
    inner join spans_by_bucket as spans using (machine, bucket)
)

select machine, make_timestamptz(started_us) as started_at, make_timestamptz(ended_us) as ended_at, planned
from pieces
where ended_us > started_us

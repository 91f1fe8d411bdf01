-- What the states alone do not tell of a day's losses: tool changes inside planned time in cycle, and program stops
-- (of the held time) inside planned time. Changes and spans are disjoint each and meet by the five minutes.
-- Grain: machine x local day on which there was either.
-- Renewed: by day
with
spans as (
    select machine, state, detail, epoch_us(started_at) as started_us, epoch_us(ended_at) as ended_us
    from core.span
    where planned and (state = 'noncutting' or (state = 'held' and detail = 'stop'))
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
    select *, unnest(generate_series(started_us // 300000000, (ended_us - 1) // 300000000)) as bucket
    from spans
    where state = 'noncutting'
),

pieces as (
    select
        machine,
        'tool_change' as loss,
        greatest(changes.started_us, spans.started_us, bucket * 300000000) as started_us,
        least(changes.ended_us, spans.ended_us, (bucket + 1) * 300000000) as ended_us,
    from changes_by_bucket as changes
    inner join spans_by_bucket as spans using (machine, bucket)
    union all
    select machine, 'program_stop', started_us, ended_us from spans where state = 'held'
),

on_days as (
    select
        pieces.*,
        shop.timezone,
        unnest(
            generate_series(
                date_trunc('day', timezone(shop.timezone, make_timestamptz(started_us))),
                date_trunc('day', timezone(shop.timezone, make_timestamptz(ended_us - 1))),
                interval 1 day
            )
        ) as day_local,
    from pieces
    cross join core.shop_setting as shop
    where ended_us > started_us
),

clipped as (
    select
        machine,
        day_local::date as day,
        loss,
        least(ended_us, epoch_us(timezone(timezone, day_local + interval 1 day)))
        - greatest(started_us, epoch_us(timezone(timezone, day_local))) as length_us,
    from on_days
)

select
    machine,
    day,
    coalesce(sum(length_us) filter (loss = 'tool_change'), 0)::bigint as tool_change_us,
    coalesce(sum(length_us) filter (loss = 'program_stop'), 0)::bigint as program_stop_us,
from clipped
where length_us > 0
group by machine, day
order by machine, day

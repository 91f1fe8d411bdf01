-- What the states alone do not tell of a day's losses: tool changes inside planned time in cycle, and program stops
-- (of the held time) inside planned time.
-- Grain: machine x local day on which there was either.
-- Renewed: by day.
with
pieces as (
    select machine, 'tool_change' as loss, epoch_us(started_at) as started_us, epoch_us(ended_at) as ended_us
    from core.change_time
    where planned
    union all
    select machine, 'program_stop', epoch_us(started_at), epoch_us(ended_at)
    from core.span
    where planned and state = 'held' and detail = 'stop'
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

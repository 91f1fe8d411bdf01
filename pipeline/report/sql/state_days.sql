-- Hours of each state on each local day.
-- Grain: machine x local day x state.
with
shop as (
    select timezone from core.shop_setting
),

days as (
    select
        span.machine,
        span.state,
        span.started_at,
        span.ended_at,
        unnest(
            generate_series(
                date_trunc('day', timezone(shop.timezone, span.started_at)),
                date_trunc('day', timezone(shop.timezone, span.ended_at) - interval 1 microsecond),
                interval 1 day
            )
        ) as day_local,
        shop.timezone,
    from core.span as span
    cross join shop
)

select
    machine,
    day_local::date as day,
    state,
    sum(
        epoch_us(least(ended_at, timezone(timezone, day_local + interval 1 day)))
        - epoch_us(greatest(started_at, timezone(timezone, day_local)))
    ) / 3600e6 as hours,
from days
group by machine, day_local, state
having hours > 0
order by machine, day, state

-- What the states alone do not tell of a day's losses: tool changes inside planned time in cycle, and program stops
-- (of the held time) inside planned time. Days meet what they touch by the UTC day.
-- Grain: machine x local day on which there was either.
-- Renewed: by day.
with
days as (
    select
        day,
        epoch_us(started_at) as day_start_us,
        epoch_us(ended_at) as day_end_us,
        unnest(range(epoch_us(started_at) // 86400000000, (epoch_us(ended_at) - 1) // 86400000000 + 1)) as utc_day,
    from core.local_day
),

told as (
    select machine, true as is_change, epoch_us(started_at) as started_us, epoch_us(ended_at) as ended_us
    from core.change_time
    where planned
    union all
    select machine, false, epoch_us(started_at), epoch_us(ended_at)
    from core.span
    where planned and state = 'held' and detail = 'stop'
),

pieces as (
    -- nearly all lie in one UTC day
    select *, started_us // 86400000000 as utc_day from told where started_us // 86400000000 = (ended_us - 1) // 86400000000
    union all
    select *, unnest(range(started_us // 86400000000, (ended_us - 1) // 86400000000 + 1))
    from told
    where started_us // 86400000000 <> (ended_us - 1) // 86400000000
),

-- both a local day and a piece may meet in two UTC days: each is clipped to its own
clipped as (
    select
        pieces.machine,
        days.day,
        pieces.is_change,
        least(pieces.ended_us, days.day_end_us, (pieces.utc_day + 1) * 86400000000)
        - greatest(pieces.started_us, days.day_start_us, pieces.utc_day * 86400000000) as length_us,
    from pieces
    inner join days using (utc_day)
)

select
    machine,
    day,
    sum(if(is_change, length_us, 0))::bigint as tool_change_us,
    sum(if(is_change, 0, length_us))::bigint as program_stop_us,
from clipped
where length_us > 0
group by machine, day
order by machine, day

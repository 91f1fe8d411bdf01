-- How long each machine was in each state on each local day; a span that crosses midnight counts on both days, and
-- time outside shifts counts apart where people worked overtime. Days meet what they touch by the UTC day.
-- Grain: machine x local day x state x planned x is_overtime x basis.
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

spans as (
    select
        machine,
        state,
        planned,
        basis,
        epoch_us(started_at) as started_us,
        epoch_us(ended_at) as ended_us,
        unnest(range(epoch_us(started_at) // 86400000000, (epoch_us(ended_at) - 1) // 86400000000 + 1)) as utc_day,
    from core.span
),

-- both a local day and a span may meet in two UTC days: each piece is clipped to its own
pieces as (
    select
        spans.machine,
        days.day,
        spans.state,
        spans.planned,
        spans.basis,
        greatest(spans.started_us, days.day_start_us, spans.utc_day * 86400000000) as started_us,
        least(spans.ended_us, days.day_end_us, (spans.utc_day + 1) * 86400000000) as ended_us,
    from spans
    inner join days using (utc_day)
    where
        greatest(spans.started_us, days.day_start_us, spans.utc_day * 86400000000)
        < least(spans.ended_us, days.day_end_us, (spans.utc_day + 1) * 86400000000)
),

lengths as (
    select machine, day, state, planned, basis, sum(ended_us - started_us)::bigint as length_us
    from pieces
    group by machine, day, state, planned, basis
),

overtime as (
    select distinct
        overtime.machine,
        days.day,
        greatest(epoch_us(overtime.started_at), days.day_start_us) as started_us,
        least(epoch_us(overtime.ended_at), days.day_end_us) as ended_us,
    from (
        select
            *,
            unnest(
                range(epoch_us(started_at) // 86400000000, (epoch_us(ended_at) - 1) // 86400000000 + 1)
            ) as utc_day,
        from core.overtime
    ) as overtime
    inner join days using (utc_day)
    where epoch_us(overtime.started_at) < days.day_end_us and epoch_us(overtime.ended_at) > days.day_start_us
),

in_overtime as (
    select
        pieces.machine,
        pieces.day,
        pieces.state,
        pieces.planned,
        pieces.basis,
        sum(
            least(pieces.ended_us, overtime.ended_us) - greatest(pieces.started_us, overtime.started_us)
        )::bigint as length_us,
    from pieces
    inner join overtime using (machine, day)
    where
        not pieces.planned
        and pieces.started_us < overtime.ended_us
        and pieces.ended_us > overtime.started_us
    group by pieces.machine, pieces.day, pieces.state, pieces.planned, pieces.basis
),

apart as (
    select machine, day, state, planned, true as is_overtime, basis, length_us from in_overtime
    union all
    select
        lengths.machine,
        lengths.day,
        lengths.state,
        lengths.planned,
        false,
        lengths.basis,
        lengths.length_us - coalesce(in_overtime.length_us, 0),
    from lengths
    left join in_overtime using (machine, day, state, planned, basis)
)

from apart where length_us > 0 order by machine, day, state, planned, is_overtime, basis

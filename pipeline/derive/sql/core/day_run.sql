-- What ran on a day, counted by its start: cycles, parts, scrap, and what runs did in planned time: their parts and their
-- ideal time count by the share of their time in cycle that lies there (in millionths and microseconds).
-- Grain: machine x local day on which a run began.
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

starts as (
    select
        machine,
        parts,
        scrap,
        scrap_told,
        epoch_us(started_at) as started_us,
        epoch_us(started_at) // 86400000000 as utc_day,
        (if(ideal_s is null, 0, in_cycle_planned_s) * 1e6)::bigint as timed,
        (coalesce(ideal_s * in_cycle_planned_s / nullif(in_cycle_s, 0), 0) * 1e6)::bigint as ideal,
        (made * coalesce(in_cycle_planned_s / nullif(in_cycle_s, 0), 0) * 1e6)::bigint as made,
        (scrap * coalesce(in_cycle_planned_s / nullif(in_cycle_s, 0), 0) * 1e6)::bigint as spoilt,
    from core.run
)

select
    starts.machine,
    days.day,
    count(*) as cycles,
    sum(starts.parts)::bigint as parts,
    sum(starts.scrap)::bigint as scrap,
    bool_or(starts.scrap_told) as scrap_told,
    sum(starts.timed)::bigint as timed,
    sum(starts.ideal)::bigint as ideal,
    sum(starts.made)::bigint as made,
    sum(starts.spoilt)::bigint as spoilt,
from starts
inner join days using (utc_day)
where starts.started_us >= days.day_start_us and starts.started_us < days.day_end_us
group by starts.machine, days.day

-- Edges in whose life the spindle load or the cutting time of a part rose and then fell back to where it began, as it does
-- when an edge is changed. Looked at are fifteen parts or more of one program without a pause of four hours between them:
-- from batch to batch times and loads differ for many reasons. The middle of five parts before a place is held against
-- that of five from there on (which a hold in one part does not move), by the scatter from part to part. A step back
-- counts that
-- is seven standard errors, half of the rise before it, and 3 % of the level; cutting time is that at an override of
-- 100 %. False alarms: under one edge in a thousand (tests).
-- Grain: machine x tool x edge.
-- Renewed: by edge.
with
parts as (
    select part.*
    from core.edge_part as part
    inner join core.edge_stale as stale using (machine, tool)
    where part.edge_number >= stale.from_number and part.cycles = 1 and part.parts > 0 and part.cut_us > 0
),

paused as (
    select
        *,
        coalesce(
            from_us - lag(from_us) over by_part > 14400000000
            or (job_key, operation, program, revision)
            is distinct from lag((job_key, operation, program, revision)) over by_part,
            true
        )::bigint as is_new,
    from parts
    window by_part as (partition by machine, tool, edge_number order by from_us, run_id)
),

stretches as (
    select *, count(*) over (partition by machine, tool, edge_number, stretch) as places
    from (
        select
            *,
            sum(is_new) over (
                partition by machine, tool, edge_number order by from_us, run_id
                rows between unbounded preceding and current row
            ) as stretch,
        from paused
    )
    qualify places >= 15
),

measured as (
    select
        parts.machine,
        parts.tool,
        parts.edge_number,
        parts.stretch,
        parts.from_us,
        parts.run_id,
        parts.age_parts,
        unnest(['spindle load', 'cutting time']) as measure,
        unnest([
            case when parts.load_known_us * 2 >= parts.cut_us then parts.load_area * 1000 / parts.load_known_us end,
            parts.cut_us / parts.parts
            * if(parts.override_known_us > 0, parts.override_us / parts.override_known_us, 1),
        ]) as value,
    from stretches as parts
),

rolled as (
    select
        *,
        median(value) over (by_part rows between 5 preceding and 1 preceding) as before_it,
        median(value) over (by_part rows between current row and 4 following) as from_it,
        value - lag(value) over by_part as step,
        row_number() over by_part as place,
        count(*) over (partition by machine, tool, edge_number, stretch, measure) as places,
    from measured
    where value is not null
    window by_part as (partition by machine, tool, edge_number, stretch, measure order by from_us, run_id)
),

levels as (
    select
        machine,
        tool,
        edge_number,
        stretch,
        measure,
        median(value) filter (place <= 5) as began_at,
        -- the middle of the sizes of steps is 0.954 standard deviations where values scatter alike; 0.758 of one is the
        -- standard error of the difference between two middles of five (Monte Carlo)
        greatest(median(abs(step)) / 0.954, 0.002 * median(value)) * 0.758 as error,
    from rolled
    where places >= 15
    group by machine, tool, edge_number, stretch, measure
)

select
    rolled.machine,
    rolled.tool,
    rolled.edge_number,
    first(rolled.measure order by (before_it - from_it) / error desc, place, measure) as step_measure,
    first(rolled.age_parts order by (before_it - from_it) / error desc, place, measure) as step_part,
from rolled
inner join levels using (machine, tool, edge_number, stretch, measure)
where
    rolled.place > 5
    and rolled.place <= rolled.places - 4
    and before_it - from_it > 7 * error
    and before_it - from_it > 0.03 * before_it
    and before_it - began_at > 3 * error
    and before_it - from_it > 0.5 * (before_it - began_at)
group by rolled.machine, rolled.tool, rolled.edge_number

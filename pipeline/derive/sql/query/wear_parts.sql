-- What each part told of the wear of its edge: spindle load while cutting, and cutting time at an override of 100 %, over
-- the middle of the same program's parts on this tool. Of tools with an edge in use, its last 20 edges that count; only of
-- what counts together with an edge that was added up anew.
-- Grain: machine x tool x edge x part x measure.
with
edges as (
    select machine, tool, edge_number, life_machine, life_tool, life_number, removed_at is null as is_in_use
    from core.edge_life
    semi join (
        select distinct edge.life_machine, edge.life_tool
        from core.edge as edge
        semi join core.edge_stale using (machine, tool)
    ) as renewed using (life_machine, life_tool)
    where in_use_at is not null and not is_suspect
    qualify
        life_number > max(life_number) over (partition by life_machine, life_tool) - 20
        and bool_or(removed_at is null) over (partition by life_machine, life_tool)
),

parts as (
    select
        edges.life_machine,
        edges.life_tool,
        edges.life_number,
        edges.is_in_use,
        part.from_us,
        part.run_id,
        part.job_key,
        part.operation,
        part.program,
        part.revision,
        part.cut_us / part.parts
        * if(part.override_known_us > 0, part.override_us / part.override_known_us, 1) / 1e6 as cut_s,
        case when part.load_known_us * 2 >= part.cut_us then part.load_area * 1000 / part.load_known_us end as load_pct,
    from core.edge_part as part
    inner join edges using (machine, tool, edge_number)
    where part.cycles = 1 and part.parts > 0 and part.cut_us > 0
),

-- a tool that is still in the spindle when a cycle begins cuts for a moment, and that tells nothing of wear
related as (
    select
        *,
        row_number() over (
            partition by life_machine, life_tool, life_number order by from_us, run_id
        ) as part_number,
        cut_s / median(cut_s) over by_program as cut_ratio,
        load_pct / nullif(median(load_pct) over by_program, 0) as load_ratio,
    from parts
    window by_program as (partition by life_machine, life_tool, job_key, operation, program, revision)
    qualify median(cut_s) over by_program >= 5
),

-- an edge in use that has made nothing yet tells nothing: its tool is left out
told as (
    select *
    from related
    qualify
        max(life_number) filter (is_in_use) over (partition by life_machine, life_tool)
        = max(life_number) over (partition by life_machine, life_tool)
)

select life_machine as machine, life_tool as tool, life_number as edge_number, part_number, 'cut_s' as measure, cut_ratio as value
from told
union all
select life_machine, life_tool, life_number, part_number, 'load', load_ratio
from told
where load_ratio is not null
order by machine, tool, edge_number, part_number, measure

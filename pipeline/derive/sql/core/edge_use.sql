-- What every edge did, by job, program and material: from the moment it was put in use to the next change.
-- Grain: machine x tool x edge x job_key x job x operation x program x revision x material.
-- Renewed: whole.
with
starts as (
    -- of two changes at one instant the second counts
    select machine, tool, max(edge_number) as edge_number, coalesce(start_us, -9223372036854775807) as start_us
    from core.edge
    group by machine, tool, start_us
)

select
    cut.machine,
    cut.tool,
    starts.edge_number,
    cut.job_key,
    cut.job,
    cut.operation,
    cut.program,
    cut.revision,
    cut.material,
    sum(cut.cut_us)::bigint as cut_us,
    sum(cut.parts)::bigint as parts,
    sum(cut.cycles)::bigint as cycles,
    sum(cut.override_us)::bigint as override_us,
    sum(cut.override_known_us)::bigint as override_known_us,
    sum(cut.feed_area)::bigint as feed_area,
    sum(cut.feed_known_us)::bigint as feed_known_us,
    sum(cut.load_area)::bigint as load_area,
    sum(cut.load_known_us)::bigint as load_known_us,
    sum(cut.speed_area)::bigint as speed_area,
    sum(cut.speed_known_us)::bigint as speed_known_us,
    min(cut.from_us) as first_us,
from core.edge_cut as cut
asof inner join starts
    on cut.machine = starts.machine and cut.tool = starts.tool and cut.from_us >= starts.start_us
group by all

-- What every edge did, by job, program and material.
-- Grain: machine x tool x edge x job_key x job x operation x program x revision x material.
-- Renewed: by edge.
select
    part.machine,
    part.tool,
    part.edge_number,
    part.job_key,
    part.job,
    part.operation,
    part.program,
    part.revision,
    part.material,
    sum(part.cut_us)::bigint as cut_us,
    sum(part.parts)::bigint as parts,
    sum(part.cycles)::bigint as cycles,
    sum(part.override_us)::bigint as override_us,
    sum(part.override_known_us)::bigint as override_known_us,
    sum(part.feed_area)::bigint as feed_area,
    sum(part.feed_known_us)::bigint as feed_known_us,
    sum(part.load_area)::bigint as load_area,
    sum(part.load_known_us)::bigint as load_known_us,
    sum(part.speed_area)::bigint as speed_area,
    sum(part.speed_known_us)::bigint as speed_known_us,
from core.edge_part as part
inner join core.edge_stale as stale using (machine, tool)
where part.edge_number >= stale.from_number
group by all

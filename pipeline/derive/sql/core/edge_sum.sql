-- What every edge did, added up.
-- Grain: machine x tool x edge.
-- Renewed: by edge.
select
    use.machine,
    use.tool,
    use.edge_number,
    sum(use.cut_us)::bigint as cut_us,
    sum(use.parts)::bigint as parts,
    sum(use.cycles)::bigint as cycles,
    count(distinct use.job_key) as jobs,
    string_agg(distinct use.job_key, ', ' order by use.job_key) as job_list,
    string_agg(distinct use.material, ', ' order by use.material) as material_list,
    string_agg(
        distinct concat_ws(' rev. ', use.program, use.revision), ', '
        order by concat_ws(' rev. ', use.program, use.revision)
    ) as program_list,
    sum(use.override_us)::bigint as override_us,
    sum(use.override_known_us)::bigint as override_known_us,
    sum(use.feed_area)::bigint as feed_area,
    sum(use.feed_known_us)::bigint as feed_known_us,
    sum(use.load_area)::bigint as load_area,
    sum(use.load_known_us)::bigint as load_known_us,
    sum(use.speed_area)::bigint as speed_area,
    sum(use.speed_known_us)::bigint as speed_known_us,
from core.edge_use as use
inner join core.edge_stale as stale using (machine, tool)
where use.edge_number >= stale.from_number
group by use.machine, use.tool, use.edge_number

-- The ledger of edges before any is suspected: what each one gave from the moment it was put in use to its removal, and
-- why it was removed.
-- It counts as edge `life_number` of `life_tool` on `life_machine`. An edge with an unknown start (in_use_at empty)
-- enters no fit; it is censored unless worn, broken or chipped. What an `unknown` reason means is the shop's setting.
-- feed_m and load_pct hold for the minutes in which the stream told them (feed_known_min, load_known_min).
-- Only of what counts together with an edge that was added up anew.
-- Grain: machine x tool x edge.
select
    edge.machine,
    edge.tool,
    edge.edge_number,
    edge.life_machine,
    edge.life_tool,
    edge.life_number,
    case when edge.is_start_known then make_timestamptz(edge.start_us) end as in_use_at,
    make_timestamptz(edge.removed_us) as removed_at,
    case
        when edge.is_counted then edge.counted_min
        -- without any record of tool changes the minutes of a tool are not known
        when trait.tells_tools then coalesce(used.cut_us, 0) / 60e6
    end as cut_min,
    if(edge.is_counted, edge.counted_parts, coalesce(used.parts, 0)) as parts,
    coalesce(used.cycles, 0) as cycles,
    coalesce(used.jobs, 0) as jobs,
    used.job_list,
    used.material_list,
    used.program_list,
    case when used.feed_known_us > 0 then used.feed_area / 60e6 end as feed_m,
    coalesce(used.feed_known_us, 0) / 60e6 as feed_known_min,
    case when used.override_known_us > 0 then used.override_us / used.override_known_us end as override,
    case when used.load_known_us > 0 then used.load_area * 1000 / used.load_known_us end as load_pct,
    coalesce(used.load_known_us, 0) / 60e6 as load_known_min,
    case when used.speed_known_us > 0 then used.speed_area * 1000 / used.speed_known_us end as speed_rpm,
    -- the cutting speed of a mill or a drill; a lathe's depends on where it turns
    case when used.speed_known_us > 0 then pi() * edge.diameter_mm * used.speed_area / used.speed_known_us end as speed_m_min,
    edge.reason,
    coalesce(
        edge.reason not in ('worn', 'broken', 'chipped')
        and not (edge.reason = 'unknown' and shop.unknown_reason = 'failure'),
        true
    ) as censored,
    edge.edge_cost,
    edge.insert_batch,
    edge.inserts,
    edge.regrind_number,
    step.step_measure,
    step.step_part,
    edge.file_id,
    edge.row_number,
from core.edge as edge
semi join (
    select distinct edge.life_machine, edge.life_tool
    from core.edge as edge
    semi join core.edge_stale using (machine, tool)
) as stale using (life_machine, life_tool)
inner join core.edge_trait as trait using (machine)
cross join core.shop_setting as shop
left join core.edge_sum as used using (machine, tool, edge_number)
left join core.edge_step as step using (machine, tool, edge_number)
-- where a number is given to another tool an edge may have done nothing: there was none
where used.machine is not null or not (edge.by_exchange or coalesce(edge.reason = 'exchanged', false))
order by edge.machine, edge.tool, edge.edge_number

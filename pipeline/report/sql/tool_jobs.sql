-- What each job took of each tool and what that cost: the cost of a minute of cut (of a part, where minutes are not known)
-- is that of the edges that were taken out.
-- Grain: machine x tool x job_key.
with
rates as (
    select
        life_machine,
        life_tool,
        sum(edge_cost) / nullif(sum(cut_min), 0) as cost_per_min,
        sum(edge_cost) / nullif(sum(parts), 0) as cost_per_part,
    from core.edge_life
    where in_use_at is not null and removed_at is not null and edge_cost is not null and not is_suspect
    group by life_machine, life_tool
),

used as (
    select
        edge.life_machine,
        edge.life_tool,
        use.job_key,
        string_agg(distinct use.material, ', ' order by use.material) as material_list,
        count(distinct (edge.machine, edge.tool, edge.edge_number)) as edges,
        sum(use.parts)::bigint as parts,
        sum(use.cut_us) / 60e6 as cut_min,
    from core.edge_use as use
    inner join core.edge_life as edge using (machine, tool, edge_number)
    group by edge.life_machine, edge.life_tool, use.job_key
)

select
    used.life_machine as machine,
    used.life_tool as tool,
    used.job_key,
    used.material_list,
    used.edges,
    used.parts,
    used.cut_min,
    coalesce(used.cut_min * rates.cost_per_min, used.parts * rates.cost_per_part) as cost,
    coalesce(used.cut_min * rates.cost_per_min / nullif(used.parts, 0), rates.cost_per_part) as cost_per_part,
from used
left join rates using (life_machine, life_tool)
where coalesce(used.life_machine = $machine, true) and coalesce(used.job_key = $job, true)
order by machine, try_cast(tool as bigint), tool, cost desc nulls last, used.job_key

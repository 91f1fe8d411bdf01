-- From which edge on each tool is added up anew: the first that was still in use when what was derived begins, or that is
-- another than it was. What an edge did that ended before then is as it was.
-- Grain: machine x tool.
with
differing as (
    select machine, tool, edge_number from (
        (select machine, tool, edge_number, start_us, removed_us from core.edge except from core.edge_before)
        union all
        (from core.edge_before except select machine, tool, edge_number, start_us, removed_us from core.edge)
    )
),

reached as (
    select edge.machine, edge.tool, edge.edge_number
    from core.edge as edge
    inner join core.edge_renewed as renewed using (machine)
    where edge.removed_us is null or edge.removed_us >= renewed.from_us
),

first_stale as (
    select machine, tool, min(edge_number) as from_number
    from (from differing union all from reached)
    group by machine, tool
)

select
    stale.machine,
    stale.tool,
    stale.from_number,
    coalesce(min(edge.start_us) filter (edge.edge_number = stale.from_number), -9223372036854775807) as from_us,
from first_stale as stale
left join core.edge as edge using (machine, tool)
group by stale.machine, stale.tool, stale.from_number

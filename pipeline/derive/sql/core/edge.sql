-- Every cutting edge from the moment it is put in use to its removal, and what it counts as.
-- From edge changes; where a control counts an edge's minutes or parts itself (ToolLife, falling back at a change),
-- from that counter, with the reason from CutterStatus (EXPIRED is worn, BROKEN is broken).
-- Where shop.toml gives a number to another tool, the edge in use ends (`exchanged`) and the next one has an unknown
-- start, like the first edge of a tool, unless its counter was seen at zero. A solid tool's edge is numbered by how
-- often the tool was ground since it was first seen or a new one took its place: after a break, or when it had been
-- ground `regrinds` times. `life_number` counts the edges of what is counted together, in the order of their use.
-- Grain: machine x tool x edge.
-- Renewed: whole.
with
changed_tools as (
    select distinct machine, tool from core.edge_change
),

points as (
    select
        machine, tool, epoch_us(occurred_at) as at_us, false as is_exchange, reason, edge_cost, insert_batch,
        file_id, row_number,
    from core.edge_change
    union all
    select tool.machine, tool.tool, epoch_us(tool.from_at), true, 'exchanged', null, null, null, null
    from core.tool as tool
    semi join changed_tools using (machine, tool)
    where tool.from_at is not null
),

numbered as (
    select *, row_number() over (partition by machine, tool order by at_us, is_exchange desc, file_id, row_number) as number
    from points
),

listed_edges as (
    -- edge 0 was in use before the first change that was recorded; the last one is still in use
    select
        machine, tool, 0 as edge_number, null::bigint as start_us, false as by_exchange, at_us as removed_us, reason,
        edge_cost, null::varchar as insert_batch, file_id, row_number,
    from numbered
    where number = 1
    union all
    select
        machine,
        tool,
        number,
        at_us,
        is_exchange,
        lead(at_us) over by_number,
        lead(reason) over by_number,
        lead(edge_cost) over by_number,
        insert_batch, -- of the edge that the change put in
        coalesce(lead(file_id) over by_number, file_id),
        coalesce(lead(row_number) over by_number, row_number),
    from numbered
    window by_number as (partition by machine, tool order by number)
),

readings as (
    select
        machine,
        coalesce(data_item_id, '1') as tool,
        coalesce(sub_type, 'MINUTES') as counts,
        epoch_us(started_at) as at_us,
        try_cast(value as decimal(18, 6))::double as reading,
        file_id,
        row_number,
        lag(try_cast(value as decimal(18, 6))::double) over (
            partition by machine, data_item_id, sub_type order by started_at, file_id, row_number
        ) as reading_before,
    from core.tool_counter
    where
        item = 'ToolLife'
        and try_cast(value as decimal(18, 6))::double is not null
        and coalesce(sub_type, 'MINUTES') in ('MINUTES', 'PART_COUNT')
),

-- a tool whose minutes are counted needs no count of parts to tell its edges apart
telling_counters as (
    select machine, tool, min(counts) as counts from readings group by machine, tool
),

counted as (
    select
        *,
        sum(coalesce(reading < reading_before, false)::bigint) over (
            partition by machine, tool, counts
            order by at_us, file_id, row_number
            rows between unbounded preceding and current row
        )::bigint as edge_number,
    from readings
    inner join telling_counters using (machine, tool, counts)
),

counter_edges as (
    select
        machine,
        tool,
        edge_number,
        min(at_us) as start_us,
        edge_number = 0 and min_by(reading, at_us) <> 0 as was_under_way,
        lead(min(at_us)) over (partition by machine, tool, counts order by edge_number) as removed_us,
        max(reading) filter (counts = 'MINUTES') as cut_min,
        max(reading) filter (counts = 'PART_COUNT')::bigint as parts,
        last(file_id order by at_us, row_number) as file_id,
        last(row_number order by at_us, row_number) as row_number,
    from counted
    anti join changed_tools using (machine, tool)
    group by machine, tool, counts, edge_number
),

statuses as (
    select machine, coalesce(data_item_id, '1') as tool, epoch_us(started_at) as at_us, value as status
    from core.tool_counter
    where item = 'CutterStatus' and value in ('EXPIRED', 'BROKEN')
),

counter_reasons as (
    select
        edge.machine,
        edge.tool,
        edge.edge_number,
        if(bool_or(statuses.status = 'BROKEN'), 'broken', 'worn') as reason,
    from counter_edges as edge
    inner join statuses
        on edge.machine = statuses.machine
        and edge.tool = statuses.tool
        and (statuses.at_us > edge.start_us or edge.edge_number = 0)
        and statuses.at_us <= coalesce(edge.removed_us, 9223372036854775807)
    group by edge.machine, edge.tool, edge.edge_number
),

edges as (
    select
        machine, tool, edge_number, start_us, start_us is not null and not by_exchange as is_start_known, by_exchange,
        removed_us, reason, edge_cost, insert_batch, false as is_counted, null::double as counted_min, null::bigint as counted_parts,
        file_id, row_number,
    from listed_edges
    union all
    select
        edge.machine, edge.tool, edge.edge_number, edge.start_us, not edge.was_under_way, false, edge.removed_us,
        case when edge.removed_us is not null then coalesce(counter_reasons.reason, 'unknown') end,
        null, null, true, edge.cut_min, edge.parts, edge.file_id, edge.row_number,
    from counter_edges as edge
    left join counter_reasons using (machine, tool, edge_number)
),

settled as (
    select
        edges.*,
        coalesce(tool.life_machine, edges.machine) as life_machine,
        coalesce(tool.life_tool, edges.tool) as life_tool,
        coalesce(tool.is_solid, false) as is_solid,
        tool.regrinds,
        tool.tool_cost,
        tool.edge_cost as listed_cost,
        tool.inserts,
        tool.diameter_mm,
        sum(coalesce(lag_reason in ('broken', 'exchanged'), false)::bigint) over (
            partition by edges.machine, edges.tool order by edges.edge_number
            rows between unbounded preceding and current row
        ) as solid_tool,
    from (
        select *, lag(reason) over (partition by machine, tool order by edge_number) as lag_reason from edges
    ) as edges
    asof left join (
        select *, coalesce(epoch_us(from_at), -9223372036854775807) as from_us from core.tool
    ) as tool
        on edges.machine = tool.machine
        and edges.tool = tool.tool
        and coalesce(edges.start_us, -9223372036854775807) >= tool.from_us
),

ground as (
    select
        *,
        case
            when is_solid
                then (
                    row_number() over (partition by machine, tool, solid_tool order by edge_number) - 1
                ) % (coalesce(regrinds, 9223372036854775806) + 1)
        end as regrind_number,
    from settled
)

select
    machine,
    tool,
    edge_number,
    life_machine,
    life_tool,
    row_number() over (
        partition by life_machine, life_tool
        order by coalesce(start_us, -9223372036854775807), machine, tool, edge_number
    ) - 1 as life_number,
    start_us,
    is_start_known,
    by_exchange,
    removed_us,
    reason,
    is_counted,
    counted_min,
    counted_parts,
    coalesce(
        edge_cost,
        if(is_solid and (reason = 'broken' or regrind_number = regrinds), coalesce(tool_cost, listed_cost), listed_cost)
    ) as edge_cost,
    insert_batch,
    inserts,
    diameter_mm,
    regrind_number,
    file_id,
    row_number,
from ground

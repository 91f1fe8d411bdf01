-- Every cutting edge from the moment it is put in use to its removal: minutes of cut, parts, why it was removed.
-- From edge changes; where a control counts an edge's minutes or parts itself (ToolLife, falling back at a change),
-- from that counter, with the reason from CutterStatus (EXPIRED is worn, BROKEN is broken).
-- The first edge of a tool has an unknown start, unless its counter was seen at zero, and enters no fit. An edge is censored unless worn, broken or chipped;
-- what an `unknown` reason means is the shop's setting.
-- Grain: machine x tool x edge.
-- Renewed: whole.
with
-- machines of which anything tells when a tool was changed
tools_told as (
    select machine from core.record_extent where has_tool_changes
    union
    select machine from core.item_day where item = 'ToolNumber' and value is not null
),

changes as (
    select
        machine,
        tool,
        epoch_us(occurred_at) as at_us,
        reason,
        edge_cost,
        file_id,
        row_number,
        row_number() over (partition by machine, tool order by occurred_at, file_id, row_number) as number,
    from core.edge_change
),

edges as (
    -- edge 0 was in use before the first change that was recorded; the last one is still in use
    select
        machine,
        tool,
        0 as edge_number,
        null::bigint as in_use_us,
        at_us as removed_us,
        reason,
        edge_cost,
        file_id,
        row_number,
    from changes
    where number = 1
    union all
    select
        machine,
        tool,
        number,
        at_us,
        lead(at_us) over by_number,
        lead(reason) over by_number,
        lead(edge_cost) over by_number,
        coalesce(lead(file_id) over by_number, file_id),
        coalesce(lead(row_number) over by_number, row_number),
    from changes
    window by_number as (partition by machine, tool order by number)
),

starts as (
    -- of two changes at one instant the second counts
    select machine, tool, max(edge_number) as edge_number, coalesce(in_use_us, -9223372036854775807) as in_use_us
    from edges
    group by machine, tool, in_use_us
),

-- an edge has what was cut from the moment it was put in use to the next change
cut_per_edge as (
    select cut.machine, cut.tool, starts.edge_number, sum(cut.cut_us)::bigint / 60e6 as cut_min
    from core.edge_cut as cut
    asof inner join starts
        on cut.machine = starts.machine and cut.tool = starts.tool and cut.from_us >= starts.in_use_us
    group by cut.machine, cut.tool, starts.edge_number
),

uses as (
    select distinct use.machine, use.tool, use.run_id, epoch_us(run.ended_at) as ended_us, run.parts
    from core.tool_use as use
    inner join core.run as run using (run_id)
    where use.tool is not null and run.outcome = 'complete'
    union
    -- machines whose tool changes nobody recorded: the estimate says which tools a run used
    select run.machine, line.tool, run.run_id, epoch_us(run.ended_at), run.parts
    from core.run as run
    inner join core.estimate_line as line using (estimate_id)
    where
        line.tool is not null
        and run.outcome = 'complete'
        and run.machine not in (select machine from tools_told)
),

parts_per_edge as (
    select uses.machine, uses.tool, starts.edge_number, sum(uses.parts)::bigint as parts
    from uses
    asof inner join starts
        on uses.machine = starts.machine and uses.tool = starts.tool and uses.ended_us > starts.in_use_us
    group by uses.machine, uses.tool, starts.edge_number
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
        min(at_us) as first_us,
        if(edge_number > 0 or min_by(reading, at_us) = 0, min(at_us), null) as in_use_us,
        lead(min(at_us)) over (partition by machine, tool, counts order by edge_number) as removed_us,
        max(reading) filter (counts = 'MINUTES') as cut_min,
        max(reading) filter (counts = 'PART_COUNT')::bigint as parts,
        last(file_id order by at_us, row_number) as file_id,
        last(row_number order by at_us, row_number) as row_number,
    from counted
    where (machine, tool) not in (select (machine, tool) from changes)
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
        and (statuses.at_us > edge.first_us or edge.edge_number = 0)
        and statuses.at_us <= coalesce(edge.removed_us, 9223372036854775807)
    group by edge.machine, edge.tool, edge.edge_number
),

all_edges as (
    select
        edges.machine,
        edges.tool,
        edges.edge_number,
        edges.in_use_us,
        edges.removed_us,
        -- without any record of tool changes the minutes of a tool are not known
        case
            when edges.machine in (select machine from tools_told) then coalesce(cut_per_edge.cut_min, 0)
        end as cut_min,
        coalesce(parts_per_edge.parts, 0) as parts,
        edges.reason,
        edges.edge_cost,
        edges.file_id,
        edges.row_number,
    from edges
    left join cut_per_edge using (machine, tool, edge_number)
    left join parts_per_edge using (machine, tool, edge_number)
    union all
    select
        edge.machine,
        edge.tool,
        edge.edge_number,
        edge.in_use_us,
        edge.removed_us,
        edge.cut_min,
        edge.parts,
        case when edge.removed_us is not null then coalesce(counter_reasons.reason, 'unknown') end,
        null,
        edge.file_id,
        edge.row_number,
    from counter_edges as edge
    left join counter_reasons using (machine, tool, edge_number)
)

select
    all_edges.machine,
    all_edges.tool,
    all_edges.edge_number,
    make_timestamptz(all_edges.in_use_us) as in_use_at,
    make_timestamptz(all_edges.removed_us) as removed_at,
    all_edges.cut_min,
    all_edges.parts,
    all_edges.reason,
    coalesce(
        all_edges.reason not in ('worn', 'broken', 'chipped')
        and not (all_edges.reason = 'unknown' and shop.unknown_reason = 'failure'),
        true
    ) as censored,
    coalesce(all_edges.edge_cost, tool.edge_cost) as edge_cost,
    all_edges.file_id,
    all_edges.row_number,
from all_edges
cross join core.shop_setting as shop
left join core.tool as tool using (machine, tool)
order by all_edges.machine, all_edges.tool, all_edges.edge_number

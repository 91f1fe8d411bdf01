-- What was different in the later edges of tools whose lives fall or rise: from the step on where there is one, else in the
-- later half. Shares are of the time cut (of the parts, where minutes are not known); what differs by less than a tenth of
-- the time, or by less than 2 %, is left out (our choice, no source).
-- Grain: machine x tool x what x which.
with
judged as (
    select machine, tool, unit, verdict, trend_kind, step_at_edge
    from mart.tool_life
    where verdict in ('falling', 'rising')
),

edges as (
    select
        edge.*,
        judged.unit,
        edge.life_number >= if(
            judged.trend_kind in ('step', 'unclear') and judged.step_at_edge is not null,
            judged.step_at_edge,
            median(edge.life_number) over (partition by edge.life_machine, edge.life_tool)
        ) as is_after,
        if(judged.unit = 'min', edge.cut_min, edge.parts) as weight,
    from core.edge_life as edge
    inner join judged on edge.life_machine = judged.machine and edge.life_tool = judged.tool
    where edge.in_use_at is not null and not edge.is_suspect
),

mixed as (
    select
        edges.life_machine,
        edges.life_tool,
        edges.is_after,
        unnest(['material', 'job', 'program', 'machine', 'number']) as what,
        unnest([
            use.material, use.job_key, concat_ws(' rev. ', use.program, use.revision), edges.machine, edges.tool,
        ]) as which,
        if(edges.unit = 'min', use.cut_us / 60e6, use.parts) as weight,
    from core.edge_use as use
    inner join edges using (machine, tool, edge_number)
    union all
    select life_machine, life_tool, is_after, 'insert batch', insert_batch, weight from edges
),

shares as (
    select
        life_machine,
        life_tool,
        what,
        which,
        coalesce(sum(weight) filter (not is_after), 0) / any_value(all_before) as before,
        coalesce(sum(weight) filter (is_after), 0) / any_value(all_after) as after,
    from (
        select
            *,
            sum(weight) filter (not is_after) over (partition by life_machine, life_tool, what) as all_before,
            sum(weight) filter (is_after) over (partition by life_machine, life_tool, what) as all_after,
        from mixed
    )
    where which is not null
    group by life_machine, life_tool, what, which
),

measured as (
    select
        life_machine,
        life_tool,
        is_after,
        weight,
        unnest(['override', 'spindle load', 'feed', 'cutting speed', 'spindle speed', 'cost of an edge']) as what,
        unnest([
            override, load_pct / 100, feed_m * 1000 / nullif(feed_known_min, 0), speed_m_min, speed_rpm, edge_cost,
        ]) as value,
    from edges
),

means as (
    select
        life_machine,
        life_tool,
        what,
        sum(value * weight) filter (not is_after) / nullif(sum(weight) filter (not is_after), 0) as before,
        sum(value * weight) filter (is_after) / nullif(sum(weight) filter (is_after), 0) as after,
    from measured
    where value is not null and weight > 0
    group by life_machine, life_tool, what
)

select life_machine as machine, life_tool as tool, what, which, before, after, 'share' as unit
from shares
where abs(after - before) >= 0.1
union all
select
    life_machine, life_tool, what, null, before, after,
    case what
        when 'override' then 'share'
        when 'spindle load' then 'share'
        when 'feed' then 'mm/min'
        when 'cutting speed' then 'm/min'
        when 'spindle speed' then 'rev/min'
        else 'money'
    end,
from means
where abs(after - before) >= 0.02 * abs(before)
order by machine, tool, what, which

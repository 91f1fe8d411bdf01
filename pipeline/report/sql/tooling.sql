-- What each tool's edges cost: per part, a month as they are changed today and as it would cost least, the saving first.
-- Grain: machine x tool.
with
spent as (
    select
        life_machine as machine,
        life_tool as tool,
        count(*) filter (removed_at is not null) as changes,
        sum(edge_cost) filter (removed_at is not null) as edges_cost,
        count(*) filter (regrind_number > 0) as regrinds,
        count(*) filter (regrind_number is not null and removed_at is not null and (reason = 'broken')) as solid_broken,
    from core.edge_life
    group by life_machine, life_tool
)

select
    life.machine,
    life.tool,
    life.name,
    spent.changes,
    spent.regrinds,
    spent.solid_broken,
    spent.edges_cost,
    life.cost_per_part,
    life.planned_cost,
    life.failed_cost,
    life.unit,
    life.used_per_month,
    life.habit_age,
    life.habit_failed_share,
    life.habit_cost_month,
    life.habit_low,
    life.habit_high,
    life.change_at,
    life.best_cost_month,
    life.habit_cost_month - life.best_cost_month as saving_month,
    life.taylor_n,
    life.taylor_low,
    life.taylor_high,
    life.min_cost_life,
    life.max_output_life,
from mart.tool_life as life
inner join spent using (machine, tool)
where coalesce(life.machine = $machine, true)
order by saving_month desc nulls last, life.machine, try_cast(life.tool as bigint), life.tool

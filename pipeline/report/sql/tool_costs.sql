-- What a minute of cut and a part cost in edges, from the edges that were taken out.
-- Grain: machine x tool.
select
    machine,
    tool,
    sum(edge_cost) / nullif(sum(cut_min), 0) as cost_per_cut_min,
    count(*) as edges,
from core.edge_life
where in_use_at is not null and removed_at is not null and edge_cost is not null and cut_min > 0
group by machine, tool

-- What each run took of each edge: from the moment the edge was put in use to the next change. `age_parts` and `age_us` are
-- what the edge had made and cut before.
-- Grain: machine x tool x edge x run.
-- Renewed: by edge.
with
starts as (
    -- of two changes at one instant the second counts
    select
        edge.machine, edge.tool, max(edge.edge_number) as edge_number,
        coalesce(edge.start_us, -9223372036854775807) as start_us,
    from core.edge as edge
    inner join core.edge_stale as stale using (machine, tool)
    where edge.edge_number >= stale.from_number
    group by edge.machine, edge.tool, edge.start_us
),

cut as (
    select cut.*
    from core.edge_cut as cut
    inner join core.edge_stale as stale
        on cut.machine = stale.machine and cut.tool = stale.tool and cut.from_us >= stale.from_us
)

select
    cut.machine,
    cut.tool,
    starts.edge_number,
    cut.run_id,
    cut.from_us,
    coalesce(sum(cut.parts) over before_it, 0)::bigint as age_parts,
    coalesce(sum(cut.cut_us) over before_it, 0)::bigint as age_us,
    cut.* exclude (machine, tool, run_id, from_us, started_at),
from cut
asof inner join starts
    on cut.machine = starts.machine and cut.tool = starts.tool and cut.from_us >= starts.start_us
window before_it as (
    partition by cut.machine, cut.tool, starts.edge_number
    order by cut.from_us, cut.run_id
    rows between unbounded preceding and 1 preceding
)

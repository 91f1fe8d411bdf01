-- The cutting time of each tool in each run, parted where its edge was changed in the middle of the run.
-- Grain: run x tool x stretch without a change of the edge.
-- Renewed: by window.
with
runs as (
    select run_id, machine, started_at, epoch_us(started_at) as started_us, epoch_us(ended_at) as ended_us
    from core.cycle_seen
),

changes as (
    select distinct machine, tool, epoch_us(occurred_at) as changed_us, occurred_at::date as day_on
    from core.edge_change
),

run_days as (
    select
        *,
        unnest(
            generate_series(started_at::date, make_timestamptz(ended_us)::date, interval 1 day)
        )::date as day_on,
    from runs
),

parting as (
    select runs.run_id, changes.tool, changes.changed_us
    from run_days as runs
    inner join changes
        on runs.machine = changes.machine
        and runs.day_on = changes.day_on
        and changes.changed_us > runs.started_us
        and changes.changed_us < runs.ended_us
),

pieces as (
    select piece.run_id, piece.machine, piece.tool, piece.started_us, piece.ended_us
    from core.run_piece as piece
    where piece.state = 'cutting' and piece.tool is not null and piece.run_id in (select run_id from parting)
),

-- each piece is cut off at each change: what lies behind the change counts from there on
behind as (
    select
        parting.run_id,
        parting.tool,
        parting.changed_us,
        coalesce(sum(greatest(0, pieces.ended_us - greatest(pieces.started_us, parting.changed_us))), 0) as cut_us,
    from parting
    left join pieces using (run_id, tool)
    group by parting.run_id, parting.tool, parting.changed_us
),

cut as (
    select run_id, machine, tool, (cut_s * 1e6)::bigint as cut_us from core.tool_use where tool is not null
),

stretches as (
    select run_id, tool, null::bigint as changed_us, cut_us as behind_us from cut
    union all
    select run_id, tool, changed_us, cut_us from behind
)

select
    runs.machine,
    runs.started_at,
    runs.run_id,
    stretches.tool,
    coalesce(stretches.changed_us, runs.started_us) as from_us,
    stretches.behind_us
    - lead(stretches.behind_us, 1, 0::hugeint) over (
        partition by stretches.run_id, stretches.tool order by stretches.changed_us nulls first
    ) as cut_us,
from stretches
inner join runs using (run_id)

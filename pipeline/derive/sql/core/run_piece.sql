-- Runs cut up by the tool in the spindle and by the states of the time line.
-- `is_change` marks a tool change's own time: the first tool_change_s of a tool, or all of a stretch without a tool
-- in a stream. `is_blocked` marks that an override at zero let nothing move. The pieces tile a machine's time and are
-- numbered, so that a run is made of all numbers from its first to its last, however runs overlap.
-- Grain: run x tool x stretch of one state.
-- Renewed: in passing.
with
spans as (
    select machine, epoch_us(started_at) as started_us, state, planned, detail, feed_override from core.span
),

tool_starts as (
    select machine, started_us as at_us, tool, changed_until_us > started_us as is_change from core.tool_stretch
    union all
    -- the tool change is over
    select machine, changed_until_us, tool, false
    from core.tool_stretch
    where changed_until_us > started_us and changed_until_us < coalesce(ended_us, 9223372036854775807)
),

blocked_edges as (
    select machine, started_us as at_us, 1 as step from core.feed_stretch where is_blocked
    union all
    select machine, ended_us, -1 from core.feed_stretch where is_blocked
),

blocked_starts as (
    select machine, at_us, sum(step) over upto > 0 as is_blocked
    from blocked_edges
    window upto as (partition by machine order by at_us rows between unbounded preceding and current row)
    qualify lead(at_us) over upto is distinct from at_us
),

-- where a tool or a block begins or ends, with what holds from there on
cuts as (
    select
        instants.machine,
        instants.at_us,
        tool_starts.tool,
        coalesce(tool_starts.is_change, false) as is_change,
        coalesce(blocked_starts.is_blocked, false) as is_blocked,
    from (
        select machine, at_us from tool_starts
        union
        select machine, at_us from blocked_starts
    ) as instants
    asof left join tool_starts on instants.machine = tool_starts.machine and instants.at_us >= tool_starts.at_us
    asof left join blocked_starts
        on instants.machine = blocked_starts.machine and instants.at_us >= blocked_starts.at_us
),

starts as (
    from spans
    union all
    select cuts.machine, cuts.at_us, spans.state, spans.planned, spans.detail, spans.feed_override
    from cuts
    asof inner join spans on cuts.machine = spans.machine and cuts.at_us >= spans.started_us
),

last_ends as (
    select machine, max(epoch_us(ended_at)) as last_us from core.span group by machine
),

bounded as (
    select
        starts.*,
        lead(starts.started_us, 1, last_ends.last_us) over in_order as ended_us,
        row_number() over in_order as number,
    from starts
    inner join last_ends using (machine)
    where starts.started_us < last_ends.last_us
    window in_order as (partition by starts.machine order by starts.started_us)
    qualify ended_us > starts.started_us
),

pieces as (
    select bounded.*, cuts.tool, coalesce(cuts.is_change, false) as is_change, coalesce(cuts.is_blocked, false) as is_blocked
    from bounded
    asof left join cuts on bounded.machine = cuts.machine and bounded.started_us >= cuts.at_us
),

runs as (
    select run_id, machine, epoch_us(started_at) as started_us, epoch_us(ended_at) as ended_us from core.cycle_seen
),

run_ends as (
    select *, unnest([started_us, ended_us - 1]) as at_us from runs
),

numbered_runs as (
    select
        run_ends.run_id,
        run_ends.machine,
        run_ends.started_us,
        run_ends.ended_us,
        unnest(generate_series(min(bounded.number), max(bounded.number))) as number,
    from run_ends
    asof inner join bounded on run_ends.machine = bounded.machine and run_ends.at_us >= bounded.started_us
    group by run_ends.run_id, run_ends.machine, run_ends.started_us, run_ends.ended_us
)

select
    runs.run_id,
    runs.machine,
    pieces.tool,
    pieces.is_change,
    pieces.is_blocked,
    pieces.state,
    pieces.planned,
    pieces.detail,
    pieces.feed_override,
    greatest(runs.started_us, pieces.started_us) as started_us,
    least(runs.ended_us, pieces.ended_us) as ended_us,
from numbered_runs as runs
inner join pieces using (machine, number)

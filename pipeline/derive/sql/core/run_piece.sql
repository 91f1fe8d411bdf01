-- Runs cut up by the tool in the spindle and by the states of the time line.
-- `is_change` marks a tool change's own time: the first tool_change_s of a tool, or all of a stretch without a tool
-- in a stream. `is_blocked` marks that an override at zero let nothing move. One sweep tells what stands at each instant
-- at which anything begins: the state, the tool, the run. Its pieces tile a machine's time and are numbered, so that a run
-- that others overlap is made of all numbers from its first to its last.
-- Grain: run x tool x stretch of one state.
-- Renewed: in passing.
with
-- what a stretch of the time line is, and what a tool does, as numbers
looks as materialized (
    select *, (row_number() over ())::int as look
    from (select distinct state, planned, detail, feed_override from core.span)
),

tool_starts as (
    select machine, started_us as at_us, tool, changed_until_us > started_us as is_change from core.tool_stretch
    union all
    -- the tool change is over
    select machine, changed_until_us, tool, false
    from core.tool_stretch
    where changed_until_us > started_us and changed_until_us < coalesce(ended_us, 9223372036854775807)
),

tools as materialized (
    select *, (row_number() over ())::int as tool_number from (select distinct tool, is_change from tool_starts)
),

runs as materialized (
    select
        (row_number() over ())::int as run_number,
        run_id,
        machine,
        epoch_us(started_at) as started_us,
        epoch_us(ended_at) as ended_us,
        ended_at > started_at -- a run of no length has no place in the sweep
        and coalesce(started_at >= max(ended_at) over (by_start rows between unbounded preceding and 1 preceding), true)
        and coalesce(ended_at <= lead(started_at) over by_start, true) as is_alone,
    from core.cycle_seen
    window by_start as (partition by machine order by started_at, run_id)
),

points as (
    select
        span.machine, epoch_us(span.started_at) as at_us, looks.look, null as tool_number, 0 as block_step,
        null as run_number,
    from core.span as span
    inner join looks
        on span.state = looks.state
        and span.planned = looks.planned
        and span.detail is not distinct from looks.detail
        and span.feed_override is not distinct from looks.feed_override
    union all
    select tool_starts.machine, tool_starts.at_us, null, tools.tool_number, 0, null
    from tool_starts
    inner join tools
        on tool_starts.is_change = tools.is_change and tool_starts.tool is not distinct from tools.tool
    union all
    select machine, started_us, null, null, 1, null from core.feed_stretch where is_blocked
    union all
    select machine, ended_us, null, null, -1, null from core.feed_stretch where is_blocked
    union all
    -- number 0 is no run
    select machine, unnest([started_us, ended_us]), null, null, 0, unnest([run_number, 0]) from runs where is_alone
),

last_ends as (
    select machine, max(epoch_us(ended_at)) as last_us from core.span group by machine
),

standing as (
    select
        machine,
        at_us as started_us,
        lead(at_us) over upto as next_us,
        last_value(look ignore nulls) over upto as look,
        last_value(tool_number ignore nulls) over upto as tool_number,
        last_value(run_number ignore nulls) over upto as run_number,
        sum(block_step) over upto > 0 as is_blocked,
    from points
    window upto as (
        partition by machine
        order by at_us, run_number nulls first
        rows between unbounded preceding and current row
    )
    qualify next_us is distinct from at_us
),

pieces as (
    select
        standing.machine,
        standing.run_number,
        standing.started_us,
        least(standing.next_us, last_ends.last_us) as ended_us,
        standing.look,
        standing.tool_number,
        standing.is_blocked,
    from standing
    inner join last_ends using (machine)
    where standing.look is not null and standing.started_us < last_ends.last_us
),

-- runs that overlap cut no piece: each takes the numbers of all pieces from its first to its last
numbered as (
    select *, row_number() over (partition by machine order by started_us) as number
    from pieces
    where machine in (select machine from runs where not is_alone)
),

shared_ends as (
    select machine, run_number, unnest([started_us, ended_us - 1]) as at_us from runs where not is_alone
),

shared as (
    select
        shared_ends.machine,
        shared_ends.run_number,
        unnest(generate_series(min(numbered.number), max(numbered.number))) as number,
    from shared_ends
    asof inner join numbered on shared_ends.machine = numbered.machine and shared_ends.at_us >= numbered.started_us
    group by shared_ends.machine, shared_ends.run_number
),

of_runs as (
    select run_number, started_us, ended_us, look, tool_number, is_blocked from pieces where run_number > 0
    union all
    select
        shared.run_number,
        greatest(runs.started_us, pieces.started_us),
        least(runs.ended_us, pieces.ended_us),
        pieces.look,
        pieces.tool_number,
        pieces.is_blocked,
    from shared
    inner join numbered as pieces using (machine, number)
    inner join runs on shared.run_number = runs.run_number
)

select
    runs.run_id,
    runs.machine,
    tools.tool,
    coalesce(tools.is_change, false) as is_change,
    of_runs.is_blocked,
    looks.state,
    looks.planned,
    looks.detail,
    looks.feed_override,
    of_runs.started_us,
    of_runs.ended_us,
from of_runs
inner join runs using (run_number)
inner join looks using (look)
left join tools using (tool_number)

-- Runs cut up by the tool in the spindle and by the states of the time line.
-- `is_change` marks a tool change's own time: the first tool_change_s of a tool, or all of a stretch without a tool
-- in a stream. Tools and spans each tile a machine's time, so one sweep lays them over each other; runs meet the
-- pieces hour by hour, so that the join stays linear in the length of the book.
-- `is_blocked` marks that an override at zero let nothing move.
-- Grain: run x tool x stretch of one state.
with
tool_starts as (
    select
        machine,
        started_us as at_us,
        {'tool': tool, 'is_change': changed_until_us > started_us} as tool,
    from core.tool_stretch
    union all
    -- the tool change is over
    select machine, changed_until_us, {'tool': tool, 'is_change': false}
    from core.tool_stretch
    where changed_until_us > started_us and changed_until_us < coalesce(ended_us, 9223372036854775807)
),

span_starts as (
    select
        machine,
        epoch_us(started_at) as at_us,
        {'state': state, 'planned': planned, 'detail': detail, 'feed_override': feed_override} as span,
    from core.span
),

starts as (
    select machine, at_us, tool, null as span, 0 as blocked from tool_starts
    union all
    select machine, at_us, null, span, 0 from span_starts
    union all
    select machine, started_us, null, null, 1 from core.feed_stretch where is_blocked
    union all
    select machine, ended_us, null, null, -1 from core.feed_stretch where is_blocked
),

laid_over as (
    select
        machine,
        at_us as started_us,
        lead(at_us) over (partition by machine order by at_us) as ended_us,
        last_value(tool ignore nulls) over upto as tool,
        last_value(span ignore nulls) over upto as span,
        sum(blocked) over upto > 0 as is_blocked,
    from starts
    window upto as (partition by machine order by at_us range between unbounded preceding and current row)
),

last_ends as (
    select machine, max(epoch_us(ended_at)) as last_us from core.span group by machine
),

pieces as (
    select
        laid_over.machine,
        laid_over.tool.tool as tool,
        coalesce(laid_over.tool.is_change, false) as is_change,
        laid_over.is_blocked,
        laid_over.span.state as state,
        laid_over.span.planned as planned,
        laid_over.span.detail as detail,
        laid_over.span.feed_override as feed_override,
        laid_over.started_us,
        least(coalesce(laid_over.ended_us, last_ends.last_us), last_ends.last_us) as ended_us,
    from laid_over
    inner join last_ends using (machine)
    where laid_over.span is not null and coalesce(laid_over.ended_us, last_ends.last_us) > laid_over.started_us
),

pieces_by_hour as (
    select *, unnest(generate_series(started_us // 3600000000, (ended_us - 1) // 3600000000)) as hour
    from pieces
    where ended_us > started_us
),

runs as (
    select run_id, machine, epoch_us(started_at) as started_us, epoch_us(ended_at) as ended_us from core.cycle_seen
),

runs_by_hour as (
    select *, unnest(generate_series(started_us // 3600000000, (ended_us - 1) // 3600000000)) as hour from runs
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
from runs_by_hour as runs
inner join pieces_by_hour as pieces
    on runs.machine = pieces.machine
    and runs.hour = pieces.hour
    and pieces.started_us < runs.ended_us
    and pieces.ended_us > runs.started_us
-- a pair that meets in several hours counts in the hour in which it begins to
where greatest(runs.started_us, pieces.started_us) // 3600000000 = runs.hour

-- What each tool did in each run, parted where its edge was changed in the middle of the run: cutting time, and as far as
-- the stream tells them feed, override, spindle load and speed while it cut. The parts of a complete run count with its last
-- stretch. On machines of which nothing tells when a tool was changed, the estimate says which tools a run used; what
-- they cut is not known. Only of machines of which anything tells of edges.
-- Grain: run x tool x stretch without a change of the edge.
-- Renewed: by window.
with
runs as (
    select
        run_id, run_number, machine, started_at, epoch_us(started_at) as started_us, epoch_us(ended_at) as ended_us,
        outcome = 'complete' as is_complete, parts, job_key, job, operation, program, revision, material, estimate_id,
    from core.cycle_seen
    semi join (select machine from core.edge_trait where has_edges) as told using (machine)
),

changes as (
    select machine, tool, epoch_us(occurred_at) as changed_us from core.edge_change
    union
    select machine, tool, epoch_us(from_at) from core.tool where from_at is not null
),

run_days as (
    select
        run_id, machine, started_us, ended_us,
        unnest(
            generate_series(started_at::date, make_timestamptz(ended_us)::date, interval 1 day)
        )::date as day_on,
    from runs
),

parting as (
    select runs.run_id, changes.tool, changes.changed_us
    from run_days as runs
    inner join (select *, make_timestamptz(changed_us)::date as day_on from changes) as changes
        on runs.machine = changes.machine
        and runs.day_on = changes.day_on
        and changes.changed_us > runs.started_us
        and changes.changed_us < runs.ended_us
),

uses as (
    select run_id, tool, true as is_timed from core.tool_use where tool is not null
    union all
    select run.run_id, line.tool, false
    from runs as run
    inner join core.edge_trait as trait on run.machine = trait.machine and not trait.tells_tools
    inner join core.estimate_line as line using (estimate_id)
    where line.tool is not null and run.is_complete
),

stretches as (
    select
        *,
        lead(from_us) over in_order as until_us,
        lead(from_us) over in_order is null as is_last,
    from (
        select uses.run_id, uses.tool, uses.is_timed, runs.started_us as from_us
        from uses
        inner join runs using (run_id)
        union all
        select uses.run_id, uses.tool, uses.is_timed, parting.changed_us
        from uses
        inner join parting using (run_id, tool)
    )
    window in_order as (partition by run_id, tool order by from_us)
),

whole_pieces as (
    select
        runs.run_id, runs.machine, piece.tool, piece.started_us, piece.ended_us, piece.feed_override,
        runs.started_us as from_us,
    from core.run_piece as piece
    inner join runs using (run_number)
    where piece.state = 'cutting' and piece.tool is not null
),

pieces as (
    select *
    from whole_pieces
    anti join parting using (run_id, tool)
    union all
    -- each piece is cut off at each change: what lies behind the change counts from there on
    select
        piece.run_id,
        piece.machine,
        piece.tool,
        greatest(piece.started_us, stretches.from_us),
        least(piece.ended_us, coalesce(stretches.until_us, piece.ended_us)),
        piece.feed_override,
        stretches.from_us,
    from whole_pieces as piece
    semi join parting using (run_id, tool)
    inner join stretches
        on piece.run_id = stretches.run_id
        and piece.tool = stretches.tool
        and piece.ended_us > stretches.from_us
        and piece.started_us < coalesce(stretches.until_us, piece.ended_us)
),

timed as (
    select
        run_id,
        tool,
        from_us,
        sum(ended_us - started_us)::bigint as cut_us,
        coalesce(sum(((ended_us - started_us) * feed_override / 100)::bigint), 0)::bigint as override_us,
        coalesce(sum(ended_us - started_us) filter (feed_override is not null), 0)::bigint as override_known_us,
    from pieces
    group by run_id, tool, from_us
),

-- where cutting begins and ends: pieces that touch need no reading between them
instants as (
    select run_id, machine, tool, from_us, at_us, sum(step)::bigint as step
    from (
        select run_id, machine, tool, from_us, started_us as at_us, -1 as step from pieces
        union all
        select run_id, machine, tool, from_us, ended_us, 1 from pieces
    )
    group by run_id, machine, tool, from_us, at_us
    having step <> 0
),

measured as (
    select
        instants.run_id,
        instants.tool,
        instants.from_us,
        measure.measure,
        measure.source,
        sum(instants.step * (
            measure.area + coalesce((measure.value * (instants.at_us - measure.at_us) / 1000)::bigint, 0)
        ))::bigint as area,
        sum(instants.step * (
            measure.known_us + if(measure.value is null, 0, instants.at_us - measure.at_us)
        ))::bigint as known_us,
    from (
        select instants.*, sources.measure, sources.source
        from instants
        inner join (select distinct machine, measure, source from core.edge_measure) as sources using (machine)
    ) as instants
    asof inner join core.edge_measure as measure
        on instants.machine = measure.machine
        and instants.measure = measure.measure
        and instants.source = measure.source
        and instants.at_us >= measure.at_us
    group by instants.run_id, instants.tool, instants.from_us, measure.measure, measure.source
),

-- several paths feed, several spindles are loaded: both add up, over the time in which any is known. Of several spindles
-- the one that turned most tells the speed.
measures as (
    select
        run_id,
        tool,
        from_us,
        sum(area) filter (measure = 'feed')::bigint as feed_area,
        max(known_us) filter (measure = 'feed')::bigint as feed_known_us,
        sum(area) filter (measure = 'load')::bigint as load_area,
        max(known_us) filter (measure = 'load')::bigint as load_known_us,
        max(area) filter (measure = 'speed')::bigint as speed_area,
        max(known_us) filter (measure = 'speed')::bigint as speed_known_us,
    from measured
    group by run_id, tool, from_us
)

select
    runs.machine,
    runs.started_at,
    runs.run_id,
    stretches.tool,
    stretches.from_us,
    if(stretches.is_timed, coalesce(timed.cut_us, 0), null) as cut_us,
    if(stretches.is_last and runs.is_complete, runs.parts, 0) as parts,
    if(stretches.is_last and runs.is_complete, 1, 0) as cycles,
    coalesce(timed.override_us, 0) as override_us,
    coalesce(timed.override_known_us, 0) as override_known_us,
    coalesce(measures.feed_area, 0) as feed_area, -- mm/min x ms
    coalesce(measures.feed_known_us, 0) as feed_known_us,
    coalesce(measures.load_area, 0) as load_area, -- per cent x ms
    coalesce(measures.load_known_us, 0) as load_known_us,
    coalesce(measures.speed_area, 0) as speed_area, -- rev/min x ms
    coalesce(measures.speed_known_us, 0) as speed_known_us,
    runs.job_key,
    runs.job,
    runs.operation,
    runs.program,
    runs.revision,
    runs.material,
from stretches
inner join runs using (run_id)
left join timed using (run_id, tool, from_us)
left join measures using (run_id, tool, from_us)
-- what neither cut nor was there when a part was finished is no use of an edge
where timed.cut_us > 0 or (stretches.is_last and runs.is_complete)

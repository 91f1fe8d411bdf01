-- What was different once a job ran on another level: where the time went, the estimate itself, materials, tools, tool
-- changes a run, the share of the operation's runs that were made here and not on other machines or under another program
-- or revision, the hour of the day, and edges of the tools that take the time, put in use between the last run before
-- the change and the end of its interval. Differences of less than 1 % of the estimate, or of a quarter of the runs or of a
-- tool change, are left out (our choice, no source).
-- Grain: job_key x operation x machine x program x revision x what x which x tool x changed_at.
with
shifted as (
    select *
    from mart.job_drift
    where shifted_at is not null and estimate_s is not null
),

runs as (
    select
        run.run_id,
        run.job_key,
        run.operation,
        run.machine,
        run.program,
        run.revision,
        run.started_at,
        run.ended_at,
        run.estimate_s as allowed_s,
        run.material,
        run.started_at >= shifted.shifted_at as is_after,
        shifted.estimate_s,
        shifted.shifted_until_at,
        hour(timezone(shop.timezone, run.started_at)) < 14 as is_early,
    from core.run as run
    inner join shifted
        on run.job_key = shifted.job_key
        and run.operation is not distinct from shifted.operation
        and run.machine = shifted.machine
        and run.program = shifted.program
        and run.revision is not distinct from shifted.revision
    cross join core.shop_setting as shop
    where run.outcome = 'complete' and run.estimate_s is not null
),

sides as (
    select
        job_key, operation, machine, program, revision,
        count(*) filter (where is_after) as after_runs,
        count(*) filter (where not is_after) as before_runs,
        max(estimate_s) as estimate_s,
        max(started_at) filter (where not is_after) as last_before_at,
        max(shifted_until_at) as shifted_until_at,
        avg(allowed_s::decimal(18, 6)) filter (where not is_after)::double as before_allowed_s,
        avg(allowed_s::decimal(18, 6)) filter (where is_after)::double as after_allowed_s,
        avg(is_early::int) filter (where not is_after) as before_early,
        avg(is_early::int) filter (where is_after) as after_early,
    from runs
    group by job_key, operation, machine, program, revision
    having count(*) filter (where is_after) > 0 and count(*) filter (where not is_after) > 0
),

spent as (
    select
        runs.job_key, runs.operation, runs.machine, runs.program, runs.revision, cause.cause, cause.tool,
        coalesce(sum(cause.seconds::decimal(18, 6)) filter (where not runs.is_after), 0)::double as before_s,
        coalesce(sum(cause.seconds::decimal(18, 6)) filter (where runs.is_after), 0)::double as after_s,
    from core.run_cause as cause
    inner join runs using (run_id)
    group by runs.job_key, runs.operation, runs.machine, runs.program, runs.revision, cause.cause, cause.tool
),

causes as (
    select
        sides.*,
        spent.cause,
        spent.tool,
        spent.before_s / sides.before_runs as before,
        spent.after_s / sides.after_runs as after,
    from spent
    inner join sides
        on spent.job_key = sides.job_key
        and spent.operation is not distinct from sides.operation
        and spent.machine = sides.machine
        and spent.program = sides.program
        and spent.revision is not distinct from sides.revision
    where abs(spent.after_s / sides.after_runs - spent.before_s / sides.before_runs) >= 0.01 * sides.estimate_s
),

edges as (
    select distinct
        causes.job_key, causes.operation, causes.machine, causes.program, causes.revision, causes.tool, edge.in_use_at,
    from causes
    inner join core.edge_life as edge
        on causes.machine = edge.machine
        and causes.tool = edge.tool
        and edge.in_use_at > causes.last_before_at
        and edge.in_use_at <= causes.shifted_until_at
),

traits as (
    select job_key, operation, machine, program, revision, 'material' as what, material as which, null as tool,
        count(*) filter (where not is_after) as before_runs, count(*) filter (where is_after) as after_runs
    from runs
    where material is not null
    group by job_key, operation, machine, program, revision, material
    union all
    select runs.job_key, runs.operation, runs.machine, runs.program, runs.revision, 'tool', null, use.tool,
        count(*) filter (where not runs.is_after), count(*) filter (where runs.is_after)
    from core.tool_use as use
    inner join runs using (run_id)
    where use.tool is not null
    group by runs.job_key, runs.operation, runs.machine, runs.program, runs.revision, use.tool
),

-- the same operation of the job wherever and however it ran
elsewhere as (
    select
        shifted.job_key, shifted.operation, shifted.machine, shifted.program, shifted.revision,
        avg((run.machine = shifted.machine)::int) filter (where run.started_at < shifted.shifted_at) as before_here,
        avg((run.machine = shifted.machine)::int) filter (where run.started_at >= shifted.shifted_at) as after_here,
        avg((run.program = shifted.program and run.revision is not distinct from shifted.revision)::int)
            filter (where run.started_at < shifted.shifted_at) as before_so,
        avg((run.program = shifted.program and run.revision is not distinct from shifted.revision)::int)
            filter (where run.started_at >= shifted.shifted_at) as after_so,
    from core.run as run
    inner join shifted on run.job_key = shifted.job_key and run.operation is not distinct from shifted.operation
    where run.outcome = 'complete'
    group by shifted.job_key, shifted.operation, shifted.machine, shifted.program, shifted.revision
),

told_numbers as (
    select
        machine,
        occurred_at,
        value,
        lag(value) over (partition by machine, data_item_id order by occurred_at) as stood,
    from core.event
    where item = 'ToolNumber' and machine in (select machine from shifted)
),

tool_changes as (
    select machine, occurred_at
    from core.tool_change
    where machine in (select machine from shifted)
    union all
    select machine, occurred_at
    from told_numbers
    where value <> stood and value not in ('0', 'UNAVAILABLE') and machine not in (select machine from core.tool_change)
),

changes as (
    select
        runs.job_key, runs.operation, runs.machine, runs.program, runs.revision,
        count(*) filter (where not runs.is_after) as before_changes,
        count(*) filter (where runs.is_after) as after_changes,
    from tool_changes
    asof inner join runs on tool_changes.machine = runs.machine and tool_changes.occurred_at >= runs.started_at
    where tool_changes.occurred_at < runs.ended_at
    group by runs.job_key, runs.operation, runs.machine, runs.program, runs.revision
),

shares as (
    select
        traits.* exclude (before_runs, after_runs),
        traits.before_runs / sides.before_runs as before,
        traits.after_runs / sides.after_runs as after,
    from traits
    inner join sides
        on traits.job_key = sides.job_key
        and traits.operation is not distinct from sides.operation
        and traits.machine = sides.machine
        and traits.program = sides.program
        and traits.revision is not distinct from sides.revision
    where abs(traits.after_runs / sides.after_runs - traits.before_runs / sides.before_runs) >= 0.25
),

found as (
    select job_key, operation, machine, program, revision, 'cause' as what, cause as which, tool, before, after,
        null::timestamptz as changed_at, 1 as place
    from causes
    union all
    select job_key, operation, machine, program, revision, 'edge', null, tool, null, null, in_use_at, 2
    from edges
    union all
    select job_key, operation, machine, program, revision, what, which, tool, before, after, null, 3
    from shares
    union all
    select job_key, operation, machine, program, revision, 'estimate', null, null, before_allowed_s, after_allowed_s, null, 0
    from sides
    where abs(after_allowed_s - before_allowed_s) >= 0.01 * estimate_s
    union all
    select job_key, operation, machine, program, revision, 'machine', null, null, before_here, after_here, null, 3
    from elsewhere
    where abs(after_here - before_here) >= 0.25
    union all
    select job_key, operation, machine, program, revision, 'program', null, null, before_so, after_so, null, 3
    from elsewhere
    where abs(after_so - before_so) >= 0.25
    union all
    select
        sides.job_key, sides.operation, sides.machine, sides.program, sides.revision, 'tool changes', null, null,
        changes.before_changes / sides.before_runs, changes.after_changes / sides.after_runs, null, 3
    from changes
    inner join sides
        on changes.job_key = sides.job_key
        and changes.operation is not distinct from sides.operation
        and changes.machine = sides.machine
        and changes.program = sides.program
        and changes.revision is not distinct from sides.revision
    where abs(changes.after_changes / sides.after_runs - changes.before_changes / sides.before_runs) >= 0.25
    union all
    select job_key, operation, machine, program, revision, 'hour', 'before 14:00', null, before_early, after_early, null, 4
    from sides
    where abs(after_early - before_early) >= 0.25
)

select
    job_key, operation, machine, program, revision, what, which, tool,
    before::double as before,
    after::double as after,
    changed_at,
from found
order by
    job_key, operation, machine, program, revision, place, abs(after - before) desc nulls last, which, tool, changed_at

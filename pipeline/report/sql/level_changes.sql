-- What was different once a job ran on another level: where the time went, materials, tools, the hour of the day, and
-- edges of the tools that take the time, put in use between the last run before the change and the end of its interval.
-- Differences of less than 1 % of the estimate, or of a quarter of the runs, are left out (our choice, no source).
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

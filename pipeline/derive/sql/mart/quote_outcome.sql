-- What was quoted against what then happened: complete runs that began after the quote was given, of the job (or the
-- part of that job, or the program) and operation quoted. Where none ran on the machine quoted, those on other machines
-- count, unless the same quote has the operation for them too; ran_on says on which.
-- Grain: quote x operation.
-- Renewed: whole.
with
given as (
    select * from raw.quote_given
),

-- an operation may be quoted for several machines
rivals as (
    select quote_id, job, program, operation, list(machine) as machines
    from given
    group by quote_id, job, program, operation
),

runs as (
    select
        given.quote_id,
        given.line,
        run.machine,
        run.batch_id,
        run.actual_s,
        run.parts,
    from given
    inner join core.run as run
        on run.started_at >= given.given_at
        and run.outcome = 'complete'
        and if(
            given.program is not null,
            run.program = given.program,
            given.job in (run.job, run.part, run.job_key)
            and (given.operation is null or run.operation is null or run.operation = given.operation)
        )
    inner join rivals
        on given.quote_id = rivals.quote_id
        and given.job is not distinct from rivals.job
        and given.program is not distinct from rivals.program
        and given.operation is not distinct from rivals.operation
    where given.machine is null or run.machine = given.machine or not list_contains(rivals.machines, run.machine)
    qualify
        coalesce(run.machine = given.machine, true)
        = bool_or(coalesce(run.machine = given.machine, true)) over (partition by given.quote_id, given.line)
),

cycles as (
    select
        quote_id,
        line,
        string_agg(distinct machine, ', ' order by machine) as ran_on,
        count(*) as runs,
        count(distinct batch_id) as batches,
        median(actual_s) as actual_cycle_s,
        avg(actual_s::decimal(18, 6))::double as actual_mean_s,
        sum(parts)::bigint as parts,
    from runs
    group by quote_id, line
),

setups as (
    select
        placed.quote_id,
        placed.line,
        avg(nullif(batch.setup_s, 0)) as actual_setup_s,
        median(batch.between_cycles_s) as actual_load_s,
    from (select distinct quote_id, line, batch_id from runs) as placed
    inner join core.batch as batch using (batch_id)
    group by placed.quote_id, placed.line
)

select
    given.quote_id,
    given.line,
    given.given_at,
    given.factors_version,
    given.job,
    given.program,
    given.operation,
    given.machine,
    given.quantity,
    given.estimate_s,
    given.expected_cycle_s,
    given.cycle_s_low,
    given.cycle_s_high,
    cycles.ran_on,
    coalesce(cycles.runs, 0) as runs,
    coalesce(cycles.batches, 0) as batches,
    cycles.parts,
    cycles.actual_cycle_s,
    cycles.actual_mean_s,
    cycles.actual_cycle_s / given.expected_cycle_s as actual_over_quoted,
    cycles.actual_cycle_s / nullif(given.estimate_s, 0) as actual_over_estimate,
    cycles.actual_cycle_s between given.cycle_s_low and given.cycle_s_high as held,
    given.expected_setup_s,
    setups.actual_setup_s,
    given.expected_load_s,
    setups.actual_load_s,
    (cycles.actual_mean_s - given.expected_cycle_s) * cycles.runs / 3600 as hours_over_quote,
from given
left join cycles using (quote_id, line)
left join setups using (quote_id, line)
order by given.given_at, given.quote_id, given.line

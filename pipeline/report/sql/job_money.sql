-- What each job took and cost at its machine's rate: cycles (broken-off ones too), setup and loading, per good part. Setup
-- and loading of a batch count to the program and revision of its first run; loading costs its median time between
-- every two cycles. Estimate and actual means are of complete runs with an estimate: what causes add up between.
-- The quote of the order list is for all operations of a job together (quoted_cycle_s, quoted_setup_s).
-- Grain: job_key x operation x machine x program x revision.
with
orders as (
    select job, arg_max(quoted_cycle_s, ordered_on) as quoted_cycle_s, arg_max(quoted_setup_s, ordered_on) as quoted_setup_s
    from (select * replace (coalesce(ordered_on, date '1900-01-01') as ordered_on) from core.job)
    group by job
),

runs as (
    select
        run.*,
        estimate.load_s,
        orders.quoted_cycle_s,
        orders.quoted_setup_s,
    from core.run as run
    left join core.estimate_operation as estimate using (estimate_id)
    left join orders on run.job = orders.job
),

first_runs as (
    select batch_id, job_key, operation, machine, program, revision
    from core.run
    qualify row_number() over (partition by batch_id order by outcome <> 'complete', started_at, run_id) = 1
),

batches as (
    select
        owner.job_key,
        owner.operation,
        owner.machine,
        owner.program,
        owner.revision,
        count(*) as batches,
        sum(batch.setup_s::decimal(18, 6))::double as setup_s,
        count(batch.quoted_setup_s - batch.setup_s) as quoted_batches,
        sum((batch.setup_s::decimal(18, 6))) filter (where batch.quoted_setup_s is not null)::double as compared_setup_s,
        sum((batch.quoted_setup_s::decimal(18, 6))) filter (where batch.setup_s is not null)::double
        as quoted_batch_setup_s,
        median(batch.between_cycles_s) as load_each_s,
        sum(greatest(batch.runs + batch.aborted - 1, 0)) filter (where batch.between_cycles_s is not null)::bigint
        as loadings,
        sum((batch.between_cycles_s * greatest(batch.runs + batch.aborted - 1, 0))::decimal(18, 6))::double as load_s,
    from core.batch as batch
    inner join first_runs as owner using (batch_id)
    group by owner.job_key, owner.operation, owner.machine, owner.program, owner.revision
),

cycles as (
    select
        job_key,
        operation,
        machine,
        program,
        revision,
        count(*) filter (where outcome = 'complete' and estimate_s is not null) as compared_runs,
        avg(estimate_s::decimal(18, 6)) filter (where outcome = 'complete')::double as estimate_mean_s,
        avg(actual_s::decimal(18, 6)) filter (where outcome = 'complete' and estimate_s is not null)::double as actual_mean_s,
        sum(actual_s::decimal(18, 6))::double as cycles_s,
        sum(made - scrap)::bigint as good,
        sum(scrap)::bigint as scrap,
        median(load_s) as quoted_load_s,
        avg(quoted_cycle_s::decimal(18, 6))::double as quoted_cycle_s,
        avg(quoted_setup_s::decimal(18, 6))::double as quoted_setup_s,
    from runs
    group by job_key, operation, machine, program, revision
)

select
    cycles.job_key,
    cycles.operation,
    cycles.machine,
    cycles.program,
    cycles.revision,
    cycles.compared_runs,
    cycles.estimate_mean_s,
    cycles.actual_mean_s,
    cycles.good,
    cycles.scrap,
    coalesce(batches.batches, 0) as batches,
    cycles.cycles_s / 3600 as cycle_hours,
    coalesce(batches.setup_s, 0) / 3600 as setup_hours,
    coalesce(batches.load_s, 0) / 3600 as load_hours,
    machine.rate_per_hour,
    (cycles.cycles_s + coalesce(batches.setup_s, 0) + coalesce(batches.load_s, 0)) / 3600 * machine.rate_per_hour as cost,
    coalesce(batches.quoted_batches, 0) as quoted_batches,
    batches.compared_setup_s / nullif(batches.quoted_batches, 0) as setup_each_s,
    batches.quoted_batch_setup_s / nullif(batches.quoted_batches, 0) as quoted_setup_each_s,
    (batches.compared_setup_s - batches.quoted_batch_setup_s) / 3600 as setup_over_hours,
    batches.load_each_s,
    cycles.quoted_load_s,
    (batches.load_s - batches.loadings * cycles.quoted_load_s) / 3600 as load_over_hours,
    cycles.quoted_cycle_s,
    cycles.quoted_setup_s,
from cycles
inner join core.machine as machine using (machine)
left join batches
    on cycles.job_key = batches.job_key
    and cycles.operation is not distinct from batches.operation
    and cycles.machine = batches.machine
    and cycles.program = batches.program
    and cycles.revision is not distinct from batches.revision
order by cycles.job_key, cycles.operation, cycles.machine, cycles.program, cycles.revision

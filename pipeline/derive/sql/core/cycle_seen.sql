-- Every cycle, from lists and from streams, with the job, part and operation it belongs to and its estimate.
-- Grain: cycle.
-- Renewed: in passing.
with
listed as (
    select
        machine, program, started_at, ended_at, parts, scrap, outcome, job, operation, revision,
        'derived' as basis, occurrence, file_id, row_number, file_id as last_file_id, row_number as last_row_number,
    from core.cycle
),

streamed as (
    select
        machine, program, started_at, ended_at, parts, null::bigint as scrap, outcome,
        null::varchar as job, null::varchar as operation, null::varchar as revision,
        -- within its second a cycle is known by its start: one second may hold several
        'measured' as basis, epoch_us(started_at) % 1000000 as occurrence,
        file_id, row_number, last_file_id, last_row_number,
    from core.stream_cycle
),

cycles as (
    select * from listed
    union all
    select * from streamed
),

-- the estimate that fits each distinct kind of cycle best: by program before by job, the more keys agree the better
kinds as (
    select distinct cycles.machine, cycles.program, cycles.job, cycles.operation, cycles.revision, orders.part
    from cycles
    left join (select job, max(greatest_part) as part from core.job_order group by job) as orders on cycles.job = orders.job
),

parts_of_estimates as (
    select operation.*, orders.part
    from core.estimate_operation as operation
    left join (select job, max(greatest_part) as part from core.job_order group by job) as orders on operation.job = orders.job
),

matches as (
    select
        kinds.machine,
        kinds.program,
        kinds.job,
        kinds.operation,
        kinds.revision,
        estimates.estimate_id,
        estimates.job as estimate_job,
        estimates.part as estimate_part,
        estimates.operation as estimate_operation,
        estimates.estimate_s,
        estimates.parts_per_cycle,
        estimates.operation_kind,
        estimates.material,
        row_number() over (
            partition by kinds.machine, kinds.program, kinds.job, kinds.operation, kinds.revision
            order by
                (estimates.program = kinds.program) desc nulls last,
                (estimates.job = kinds.job) desc nulls last,
                (estimates.revision = kinds.revision) desc nulls last,
                (estimates.machine = kinds.machine) desc nulls last,
                estimates.job desc nulls last,
                estimates.estimate_id
        ) as rank,
    from kinds
    inner join parts_of_estimates as estimates
        on (
            estimates.program = kinds.program
            or (estimates.program is null and estimates.job = kinds.job)
            or (estimates.program is null and estimates.part = kinds.part)
        )
        and coalesce(estimates.operation = kinds.operation, true)
        and coalesce(estimates.machine = kinds.machine, true)
        and coalesce(estimates.revision = kinds.revision, true)
),

matched as (
    select
        cycles.*,
        matches.estimate_id,
        coalesce(cycles.job, matches.estimate_job) as told_job,
        coalesce(cycles.operation, matches.estimate_operation) as told_operation,
        matches.estimate_s,
        matches.parts_per_cycle,
        matches.operation_kind,
        matches.material as estimate_material,
        coalesce(own.part, matches.estimate_part) as part,
    from cycles
    left join matches
        on cycles.machine = matches.machine
        and cycles.program = matches.program
        and cycles.job is not distinct from matches.job
        and cycles.operation is not distinct from matches.operation
        and cycles.revision is not distinct from matches.revision
        and matches.rank = 1
    left join (select job, max(greatest_part) as part from core.job_order group by job) as own on cycles.job = own.job
),

-- a cycle that names no job belongs to the latest order of its part that was placed before it (local day); one that
-- names its job belongs to that job's latest order before it, else to the job's first order
orders as (
    select job, coalesce(ordered_on, date '1900-01-01') as ordered_on, part, material, quoted_cycle_s from core.job_order
),

first_orders as (
    select job, arg_min(material, ordered_on) as material, arg_min(quoted_cycle_s, ordered_on) as quoted_cycle_s
    from orders
    group by job
),

orders_of_part as (
    select part, ordered_on, max(job) as job, arg_max(material, job) as material,
        arg_max(quoted_cycle_s, job) as quoted_cycle_s
    from orders
    group by part, ordered_on
),

dated as (
    select matched.*, timezone(shop.timezone, matched.started_at)::date as started_on
    from matched
    cross join core.shop_setting as shop
),

-- looked up once for the cycles of a day, so that no wide rows are sorted
orders_of_day as (
    select
        days.*,
        by_part.job as order_job,
        by_part.material as part_material,
        by_part.quoted_cycle_s as part_quoted_cycle_s,
        by_job.material as job_material,
        by_job.quoted_cycle_s as job_quoted_cycle_s,
    from (select distinct part, told_job, started_on from dated) as days
    asof left join orders_of_part as by_part
        on days.part = by_part.part and days.started_on >= by_part.ordered_on
    asof left join orders as by_job
        on days.told_job = by_job.job and days.started_on >= by_job.ordered_on
),

placed as (
    select
        dated.*,
        by_day.order_job,
        coalesce(
            by_day.job_material, first_orders.material, by_day.part_material, dated.estimate_material
        ) as material,
        coalesce(by_day.job_quoted_cycle_s, first_orders.quoted_cycle_s, by_day.part_quoted_cycle_s) as quoted_cycle_s,
    from dated
    left join orders_of_day as by_day
        on dated.part is not distinct from by_day.part
        and dated.told_job is not distinct from by_day.told_job
        and dated.started_on = by_day.started_on
    left join first_orders on dated.told_job = first_orders.job
),

counted as (
    select
        * replace (
            case
                when outcome is not null then outcome
                when parts = 0 then 'unknown'
                else 'complete'
            end as outcome,
            coalesce(
                parts,
                case when coalesce(outcome, 'complete') = 'complete' then coalesce(parts_per_cycle, 1) else 0 end
            ) as parts,
            coalesce(scrap, 0) as scrap
        ),
        scrap is not null as scrap_told,
    from placed
)

select
    -- a short name of the run while it is derived
    row_number() over () as run_number,
    substr(md5(concat_ws('|', machine, program, epoch_us(started_at) // 1000000, occurrence)), 1, 16) as run_id,
    machine,
    program,
    started_at,
    ended_at,
    outcome,
    parts,
    scrap,
    scrap_told,
    -- parts are good ones, and scrap stands beside them: reading takes it off where a list shows that it is among them;
    -- a book of our own names may count it among them, which shows where together they are more than the cycle can make
    case
        when parts > coalesce(parts_per_cycle, 1) or parts + scrap <= coalesce(parts_per_cycle, 1) then parts + scrap
        else greatest(parts, scrap)
    end as made,
    coalesce(parts_per_cycle, 1) as parts_per_cycle,
    coalesce(job, order_job, told_job) as job,
    part,
    material,
    told_operation as operation,
    operation_kind,
    revision,
    coalesce(part, told_job, program) as job_key,
    coalesce(estimate_s, nullif(round(quoted_cycle_s, 6), 0)) as estimate_s,
    case when estimate_s is not null then 'lines' when quoted_cycle_s is not null then 'quote' end as estimate_from,
    estimate_id,
    basis,
    file_id,
    row_number,
    last_file_id,
    last_row_number,
from counted

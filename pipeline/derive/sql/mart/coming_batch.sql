-- What each machine is to make next: what is left of the batch that it was making last, and the next open order.
-- An order is open where less than nine tenths of it were made (less than all, of the batch at hand), and it was placed,
-- or last made, in the last 90 days of the book (our choices, no source). Where no order says how many, a batch is taken
-- to be as large as the middle of its last five (`like the last`). Where no order waits, the last batch is listed again
-- (`once more`).
-- Grain: machine x place (1 is the batch at hand).
-- Renewed: whole.
with
bounds as (
    select timezone(shop.timezone, max(run.ended_at))::date as last_on
    from core.run as run
    cross join core.shop_setting as shop
    group by shop.timezone
),

orders as (
    select
        job,
        arg_max(part, (ordered_on, occurrence, file_id, row_number)) as part,
        sum(quantity)::bigint as quantity,
        max(ordered_on) as ordered_on,
    from (
        select * from core.job
        qualify row_number() over (partition by job, ordered_on order by occurrence desc, file_id desc, row_number desc) = 1
    )
    group by job
),

made as (
    select job, operation, sum(made - scrap)::bigint as good, max(ended_at) as last_at
    from core.run
    where job in (select job from orders) and outcome = 'complete'
    group by job, operation
),

-- how each operation was made last: of a part, or of what is known by its program
ways as (
    select run.job_key, run.operation, run.machine, run.program, run.revision, run.estimate_id, run.started_at
    from core.run as run
    inner join (
        select job_key, operation, max(started_at) as started_at
        from core.run
        where outcome = 'complete'
        group by job_key, operation
    ) as latest
        on run.job_key is not distinct from latest.job_key
        and run.operation is not distinct from latest.operation
        and run.started_at = latest.started_at
    where run.outcome = 'complete'
    qualify row_number() over (partition by run.job_key, run.operation order by run.run_id) = 1
),

-- an operation that was never made is known where its estimate names the machine
ways_told as (
    select job_key, operation, machine, program, revision, estimate_id from ways
    union all
    select orders.part, estimate.operation, estimate.machine, estimate.program, estimate.revision, estimate.estimate_id
    from orders
    inner join core.estimate_operation as estimate on orders.job = estimate.job
    anti join ways on orders.part = ways.job_key and estimate.operation is not distinct from ways.operation
    where estimate.machine is not null
),

open_orders as (
    select
        ways.machine,
        orders.job,
        ways.job_key,
        ways.operation,
        ways.program,
        ways.revision,
        ways.estimate_id,
        orders.ordered_on,
        orders.quantity,
        coalesce(made.good, 0) as made,
        coalesce(made.good, 0) >= 0.9 * orders.quantity as is_nearly_made,
    from orders
    inner join ways_told as ways on coalesce(orders.part, orders.job) = ways.job_key
    left join made on orders.job = made.job and ways.operation is not distinct from made.operation
    cross join bounds
    where
        coalesce(made.good, 0) < orders.quantity
        and greatest(orders.ordered_on, made.last_at::date) > bounds.last_on - 90
),

made_last as (
    select *
    from core.batch
    qualify row_number() over (partition by machine order by started_at desc, batch_id) = 1
),

last_batches as (
    select made_last.*, run.program, run.revision, run.estimate_id
    from made_last
    inner join (
        select batch_id, max_by(program, started_at) as program, max_by(revision, started_at) as revision,
            max_by(estimate_id, started_at) as estimate_id
        from core.run
        where batch_id in (select batch_id from made_last)
        group by batch_id
    ) as run using (batch_id)
),

sizes as (
    select last_batches.machine, greatest(median(earlier.good), 1)::bigint as size
    from last_batches
    inner join lateral (
        select batch.good
        from core.batch as batch
        where
            batch.machine = last_batches.machine
            and batch.job_key = last_batches.job_key
            and batch.operation is not distinct from last_batches.operation
            and batch.good > 0
        order by batch.started_at desc
        limit 5
    ) as earlier on true
    group by last_batches.machine
),

at_hand as (
    select
        last_batches.machine,
        0 as rank,
        last_batches.job,
        last_batches.job_key,
        last_batches.operation,
        last_batches.program,
        last_batches.revision,
        last_batches.estimate_id,
        open_orders.ordered_on,
        coalesce(open_orders.quantity, sizes.size) as quantity,
        coalesce(open_orders.made, last_batches.good) as made,
        if(open_orders.job is not null, 'order', 'like the last') as basis,
        sizes.size,
        last_batches.job in (select job from orders) as has_order,
    from last_batches
    left join open_orders
        on last_batches.machine = open_orders.machine
        and last_batches.job = open_orders.job
        and last_batches.operation is not distinct from open_orders.operation
    left join sizes on last_batches.machine = sizes.machine
),

ordered as (
    select machine, 1 as rank, * exclude (machine, is_nearly_made), 'order' as basis
    from open_orders
    anti join at_hand using (machine, job, operation)
    where not is_nearly_made
),

waiting as (
    -- an order of which all is made is over, and nothing is left of its batch
    select * exclude (size, has_order) from at_hand where made < quantity and (basis = 'order' or not has_order)
    union all
    select * from ordered
    union all
    select * exclude (size, has_order) replace (2 as rank, null as ordered_on, size as quantity, 0 as made, 'once more' as basis)
    from at_hand
    where size is not null and machine not in (select machine from ordered)
)

select
    machine,
    row_number() over in_turn as place,
    job,
    job_key,
    operation,
    program,
    revision,
    estimate_id,
    ordered_on,
    quantity,
    made,
    quantity - made as parts_left,
    basis,
from waiting
window in_turn as (partition by machine order by rank, ordered_on, job, operation)
qualify place <= 2
order by machine, place

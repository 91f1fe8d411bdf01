-- Days of the cycles that belong to another job, part or estimate than they did, or whose estimate says otherwise.
-- Grain: machine x UTC day.
with
other_estimates as (
    select estimate_id from (from core.estimate_operation except from @book.core.estimate_operation)
    union
    select estimate_id from (from @book.core.estimate_operation except from core.estimate_operation)
    union
    select estimate_id from (from core.estimate_line except from @book.core.estimate_line)
    union
    select estimate_id from (from @book.core.estimate_line except from core.estimate_line)
)

select distinct run.machine, epoch_us(run.started_at) // 86400000000 as day
from @book.core.run as run
inner join core.cycle_seen as seen using (run_id)
inner join core.machine as machine on run.machine = machine.machine
where
    (
        run.job, run.part, run.material, run.operation, run.operation_kind, run.revision, run.job_key, run.estimate_id,
        run.estimate_s, run.estimate_from, run.parts
    ) is distinct from (
        seen.job, seen.part, seen.material, seen.operation, coalesce(seen.operation_kind, machine.kind), seen.revision,
        seen.job_key, seen.estimate_id, seen.estimate_s, seen.estimate_from, seen.parts
    )
    or run.estimate_id in (select estimate_id from other_estimates)

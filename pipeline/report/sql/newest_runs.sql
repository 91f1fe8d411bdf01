-- The newest runs of each job, for its page; every overrun of the book is in the marts.
-- Grain: run.
select run.* exclude (estimate_id, operation_kind)
from core.run as run
qualify row_number() over (
    partition by run.job_key, run.operation, run.machine, run.program, run.revision
    order by run.started_at desc, run.run_id
) <= 400
order by run.machine, run.started_at, run.run_id

-- What drift and factors look at of the runs: a book of years has many, and each column of them takes its time.
-- Grain: cycle.
select
    run_id, machine, program, started_at, outcome, job, part, material, operation, operation_kind, revision, job_key,
    batch_id, estimate_id, estimate_s, estimate_from, actual_s, basis,
from core.run

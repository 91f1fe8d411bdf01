-- Every run with what drift and quotes look at.
-- Grain: run.
select
    run_id, job_key, operation, machine, program, revision, part, job, material, operation_kind, outcome, basis, batch_id,
    started_at, ended_at, actual_s, estimate_s, estimate_from, estimate_id,
from core.run

-- Every run with what drift and quotes look at. run_id, 16 hexadecimal digits, is the number that they mean here: its
-- order is the same.
-- Grain: run.
select
    ('0x' || run_id)::ubigint as run_id,
    job_key, operation, machine, program, revision, part, job, material, operation_kind, outcome, basis, batch_id,
    started_at, ended_at, actual_s, estimate_s, estimate_from, estimate_id,
from core.run

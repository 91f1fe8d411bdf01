-- Every cycle with the job it belongs to, its batch, its estimate and what it really took. Time that counts as
-- off_shift (a hold left standing overnight) is no part of actual_s.
-- Grain: cycle.
with
off_shift as (
    select run_id, sum(off_shift_s) as off_shift_s from core.tool_use group by run_id
)

select
    seen.run_id,
    seen.machine,
    seen.program,
    seen.started_at,
    seen.ended_at,
    seen.outcome,
    seen.parts,
    seen.scrap,
    seen.job,
    seen.part,
    seen.material,
    seen.operation,
    coalesce(seen.operation_kind, machine.kind) as operation_kind,
    seen.revision,
    seen.job_key,
    batch.batch_id,
    seen.estimate_id,
    seen.estimate_s,
    seen.estimate_from,
    (epoch_us(seen.ended_at) - epoch_us(seen.started_at)) / 1e6 - coalesce(off_shift.off_shift_s, 0) as actual_s,
    seen.basis,
    seen.file_id,
    seen.row_number,
    seen.last_file_id,
    seen.last_row_number,
from core.cycle_seen as seen
inner join core.batch_seen as batch using (run_id, machine)
inner join core.machine as machine using (machine)
left join off_shift using (run_id)
order by seen.machine, seen.started_at, seen.run_id

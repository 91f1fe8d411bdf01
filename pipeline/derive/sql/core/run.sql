-- Every cycle with the job it belongs to, its batch, its estimate and what it really took. Time that counts as
-- off_shift (a hold left standing overnight) is no part of actual_s. in_cycle_s is cutting and in cycle without holds and
-- faults; in_cycle_planned_s the part of it that lies in planned time. ideal_s is what the parts made should have taken:
-- the estimate, and for a cycle that was broken off its share by the parts that it made, scrap included.
-- Grain: cycle.
with
used as (
    select
        run_id,
        sum(off_shift_s) as off_shift_s,
        -- decimal sums do not depend on the order in which rows arrive
        sum((cut_s + noncut_s + tool_change_s)::decimal(18, 6))::double as in_cycle_s,
        sum(in_cycle_planned_s::decimal(18, 6))::double as in_cycle_planned_s,
    from core.tool_use
    group by run_id
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
    seen.scrap_told,
    seen.made,
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
    seen.estimate_s * if(seen.outcome = 'complete', 1, seen.made / seen.parts_per_cycle) as ideal_s,
    (epoch_us(seen.ended_at) - epoch_us(seen.started_at)) / 1e6 - coalesce(used.off_shift_s, 0) as actual_s,
    coalesce(used.in_cycle_s, 0) as in_cycle_s,
    coalesce(used.in_cycle_planned_s, 0) as in_cycle_planned_s,
    seen.basis,
    seen.file_id,
    seen.row_number,
    seen.last_file_id,
    seen.last_row_number,
from core.cycle_seen as seen
inner join core.batch_seen as batch using (run_id, machine)
inner join core.machine as machine using (machine)
left join used using (run_id)
order by seen.machine, seen.started_at, seen.run_id

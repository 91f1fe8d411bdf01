-- What the tools of a run did adds up to the run's length.
-- Grain: run that does not add up.
-- Renewed: by window.
select run.run_id, run.machine, run.started_at, sum(use.total_s) as total_s,
    (epoch_us(any_value(run.ended_at)) - epoch_us(run.started_at)) / 1e6 as length_s
from core.run as run
left join core.tool_use as use using (run_id)
group by run.run_id, run.machine, run.started_at, run.ended_at
having
    abs(coalesce(sum(use.total_s), 0) - (epoch_us(run.ended_at) - epoch_us(run.started_at)) / 1e6) > 0.0005
    or abs(
        sum(
            use.cut_s + use.noncut_s + use.tool_change_s + use.hold_s + use.stop_s + use.fault_s + use.unobserved_s
            + use.off_shift_s
        ) - sum(use.total_s)
    ) > 0.0005

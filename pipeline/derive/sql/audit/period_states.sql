-- The eight states of a machine's day, week and month add up to it, to the millisecond; those inside planned time to the
-- plan; and what ran outside shifts is overtime or lights-out.
-- Grain: machine and period that do not add up.
-- Renewed: whole.
select machine, period, calendar_s, planned_s
from mart.utilisation
where
    abs(
        cutting_s + noncutting_s + held_s + faulted_s + setup_s + idle_s + off_shift_s + unobserved_s - calendar_s
    ) > 0.0005
    or abs(
        cutting_planned_s + noncutting_planned_s + held_planned_s + faulted_planned_s + setup_planned_s
        + idle_planned_s + off_shift_planned_s + unobserved_planned_s - planned_s
    ) > 0.0005
    or abs(
        cutting_s + noncutting_s - cutting_planned_s - noncutting_planned_s - overtime_s - lights_out_s
    ) > 0.0005
    or least(unobserved_s, unobserved_planned_s, idle_s, off_shift_s) < 0

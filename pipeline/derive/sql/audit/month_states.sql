-- The eight states of a machine's month add up to the month, to the millisecond; those inside planned time to the plan.
-- Grain: machine and month that do not add up.
select machine, month, calendar_s, planned_s
from mart.utilisation_monthly
where
    abs(
        cutting_s + noncutting_s + held_s + faulted_s + setup_s + idle_s + off_shift_s + unobserved_s - calendar_s
    ) > 0.0005
    or abs(
        cutting_planned_s + noncutting_planned_s + held_planned_s + faulted_planned_s + setup_planned_s
        + idle_planned_s + off_shift_planned_s + unobserved_planned_s - planned_s
    ) > 0.0005
    or least(unobserved_s, unobserved_planned_s, idle_s, off_shift_s) < 0

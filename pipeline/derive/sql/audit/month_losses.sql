-- Cutting and the losses of a machine's month add up to its planned time, to the millisecond, and no loss is negative.
-- Grain: machine and month that do not add up.
-- Renewed: whole.
select machine, utilisation.month, utilisation.planned_s, sum(loss.hours) * 3600 as lost_s
from mart.utilisation_monthly as utilisation
inner join mart.month_loss as loss using (machine, month)
group by machine, utilisation.month, utilisation.planned_s, utilisation.cutting_planned_s
having abs(utilisation.cutting_planned_s + sum(loss.hours) * 3600 - utilisation.planned_s) > 0.0005 or min(loss.hours) < -1e-9

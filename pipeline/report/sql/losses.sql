-- Where planned time went besides cutting, the largest loss first, narrowed to a month or a machine.
-- Grain: machine x local month x loss.
select
    loss.machine,
    loss.month,
    loss.loss,
    loss.hours,
    loss.share_of_planned,
    loss.cost,
    utilisation.planned_s,
    utilisation.coverage,
    utilisation.low_coverage,
    utilisation.basis,
from mart.month_loss as loss
inner join mart.utilisation_monthly as utilisation using (machine, month)
where
    coalesce(loss.month = $month, true)
    and coalesce(loss.machine = $machine, true)
order by loss.machine, loss.month, loss.hours desc, loss.loss

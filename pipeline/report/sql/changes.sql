-- Each month against the one before, loss by loss, narrowed to a month or a machine.
-- Grain: machine x local month x loss (with `cutting`).
from mart.month_change
where
    coalesce(month = $month, true)
    and coalesce(machine = $machine, true)
order by machine, month, loss

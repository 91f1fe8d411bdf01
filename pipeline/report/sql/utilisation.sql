-- Monthly utilisation, narrowed to a month or a machine.
-- Grain: machine x local month.
select utilisation.*
from mart.utilisation_monthly as utilisation
where
    coalesce(utilisation.month = $month, true)
    and coalesce(utilisation.machine = $machine, true)
order by utilisation.machine, utilisation.month

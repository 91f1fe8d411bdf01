-- Where each machine's day went: the days of mart.utilisation.
-- Grain: machine x local day.
-- Renewed: whole.
select machine, period as day, * exclude (period_kind, machine, period)
from mart.utilisation
where period_kind = 'day'
order by machine, day

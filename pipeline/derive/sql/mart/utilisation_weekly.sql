-- Where each machine's week went: the weeks of mart.utilisation.
-- Grain: machine x ISO week in local time.
-- Renewed: whole.
select machine, period as week, * exclude (period_kind, machine, period)
from mart.utilisation
where period_kind = 'week'
order by machine, week

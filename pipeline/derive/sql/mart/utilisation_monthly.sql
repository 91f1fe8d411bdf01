-- Where each machine's month went: the months of mart.utilisation.
-- Grain: machine x local month.
-- Renewed: whole.
select machine, period as month, * exclude (period_kind, machine, period)
from mart.utilisation
where period_kind = 'month'
order by machine, month

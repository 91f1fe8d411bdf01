-- Daily utilisation, narrowed to a day, to the days of a week or a month, or to a machine.
-- Grain: machine x local day.
select utilisation.*
from mart.utilisation_daily as utilisation
inner join core.local_day as calendar on utilisation.day = strftime(calendar.day, '%Y-%m-%d')
where
    coalesce(utilisation.day = $day, true)
    and coalesce(calendar.week = $week, true)
    and coalesce(calendar.month = $month, true)
    and coalesce(utilisation.machine = $machine, true)
order by utilisation.machine, utilisation.day

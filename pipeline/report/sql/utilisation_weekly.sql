-- Weekly utilisation, narrowed to a week, to the weeks that touch a month, or to a machine.
-- Grain: machine x ISO week in local time.
select utilisation.*
from mart.utilisation_weekly as utilisation
where
    coalesce(utilisation.week = $week, true)
    and ($month is null or utilisation.week in (select week from core.local_day where month = $month))
    and coalesce(utilisation.machine = $machine, true)
order by utilisation.machine, utilisation.week

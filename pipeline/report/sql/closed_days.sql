-- Days that were closed while a machine was on the books, with what they are called.
-- Grain: machine x local day.
select closed.machine, closed.closed_on, closed.name
from core.closed_day as closed
inner join core.local_day as calendar on closed.closed_on = calendar.day
order by closed.machine, closed.closed_on

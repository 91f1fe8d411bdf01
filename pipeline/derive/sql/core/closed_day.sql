-- Days on which no shift of a machine starts: public holidays and the shop's closed days, but those that it opened.
-- Grain: machine x local day.
-- Renewed: first.
select
    machine.machine,
    closed.closed_on,
    string_agg(distinct closed.name, ', ' order by closed.name) as name,
from core.closed_calendar as closed
inner join core.machine as machine on closed.machine = machine.machine or closed.machine = '*'
anti join core.open_calendar as opened
    on closed.closed_on = opened.open_on and (opened.machine = machine.machine or opened.machine = '*')
group by machine.machine, closed.closed_on
order by machine.machine, closed.closed_on

-- Hours of each state on each local day.
-- Grain: machine x local day x state.
select machine, day, state, sum(length_us) / 3600e6 as hours
from core.day_state
group by machine, day, state
order by machine, day, state

-- At which instants paths go ACTIVE, and cease to be: how many more are so from then on.
with
steps as (
    select machine, started_us as at_us, 1 as step from core.execution where execution = 'ACTIVE'
    union all
    select machine, ended_us, -1 from core.execution where execution = 'ACTIVE'
)

select (list_position(@machines, machine) - 1)::smallint as machine_number, at_us, sum(step)::bigint as step
from steps
group by machine, at_us
order by machine, at_us

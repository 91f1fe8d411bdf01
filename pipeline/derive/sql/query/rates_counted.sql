-- What an hour of a machine costs; of one tool on several machines, of these on average.
-- Grain: machine (or machines).
select machine, rate_per_hour from core.machine
union all
select tool.life_machine, avg(machine.rate_per_hour)
from (select distinct life_machine, machine from core.tool where life_machine <> machine) as tool
inner join core.machine as machine using (machine)
group by tool.life_machine

-- Facts that the book holds more than once: a cycle by its identity (DESIGN section 4).
-- Grain: fact. Rows here mean a fault of ours.
with keyed as (
    select
        machine,
        program,
        date_trunc('second', started_at) as start_second,
        occurrence
    from core.cycle
)
select machine, program, start_second, occurrence, count(*) as rows_held
from keyed
group by machine, program, start_second, occurrence
having count(*) > 1
order by machine, program, start_second, occurrence

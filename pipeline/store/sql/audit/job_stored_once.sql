-- Facts that the book holds more than once: an order by its identity (DESIGN section 4).
-- Grain: fact. Rows here mean a fault of ours.
with keyed as (
    select
        job,
        ordered_on,
        occurrence
    from core.job
)
select job, ordered_on, occurrence, count(*) as rows_held
from keyed
group by job, ordered_on, occurrence
having count(*) > 1
order by job, ordered_on, occurrence

-- Facts that the book holds more than once: an observation by its identity (DESIGN section 4).
-- Grain: fact. Rows here mean a fault of ours.
with keyed as (
    select
        machine,
        coalesce(data_item_id, item) as data_item,
        occurred_at,
        coalesce(native_code, '') as code,
        occurrence
    from core.event
)
select machine, data_item, occurred_at, code, occurrence, count(*) as rows_held
from keyed
group by machine, data_item, occurred_at, code, occurrence
having count(*) > 1
order by machine, data_item, occurred_at, code, occurrence

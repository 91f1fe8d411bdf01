-- Facts that the book holds more than once: a tool change by its identity (DESIGN section 4).
-- Grain: fact. Rows here mean a fault of ours.
with keyed as (
    select
        machine,
        tool,
        date_trunc('second', occurred_at) as at_second,
        occurrence
    from core.tool_change
)
select machine, tool, at_second, occurrence, count(*) as rows_held
from keyed
group by machine, tool, at_second, occurrence
having count(*) > 1
order by machine, tool, at_second, occurrence

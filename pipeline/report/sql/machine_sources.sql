-- Which rows of which files a machine's times were made from.
-- Grain: machine x source file x input kind.
with
rows_of_kinds as (
    select machine, file_id, 'cycle' as kind, row_number, started_at as noted_at from core.cycle
    union all
    select machine, file_id, 'tool_change', row_number, occurred_at from core.tool_change
    union all
    select machine, file_id, 'edge_change', row_number, occurred_at from core.edge_change
    union all
    select machine, file_id, 'event', row_number, occurred_at from core.event
)

select
    machine,
    file_id,
    kind,
    count(*) as rows,
    min(row_number) as first_row,
    max(row_number) as last_row,
    min(noted_at) as first_at,
    max(noted_at) as last_at,
from rows_of_kinds
group by machine, file_id, kind
order by machine, first_at, file_id, kind

-- Which rows of which files a machine's times were made from.
-- Grain: machine x source file x input kind.
select machine, file_id, kind, rows, first_row, last_row, first_at, last_at
from raw.source_extent
where kind in ('cycle', 'tool_change', 'edge_change', 'event')
order by machine, first_at, file_id, kind

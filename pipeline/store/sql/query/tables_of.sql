-- The tables of a source file and the fields that they have columns for.
-- Grain: source file x stretch of rows
select kind, first_row, last_row, fields
from raw.source_table
where file_id = $file_id
order by first_row, kind

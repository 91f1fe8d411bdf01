-- The text of rows that no other file gives, handed over as `chunk`.
-- Grain: source row
insert into raw.source_row by name
select $file_id as file_id, row_number, raw
from chunk

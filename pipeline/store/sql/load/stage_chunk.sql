-- Adds one chunk of accepted rows, handed over as `chunk`.
-- Grain: accepted row
insert into staged_@kind by name
select @fields, row_number, line, raw, occurrence, $file_id as file_id
from chunk

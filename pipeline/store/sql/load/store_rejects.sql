-- Keeps rejected rows whole, handed over as `chunk`.
-- Grain: row x fault
insert into raw.reject by name
select $file_id as file_id, row_number, line, "column" as column_name, value, reason, message, raw
from chunk

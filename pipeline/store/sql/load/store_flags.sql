-- Keeps flags of accepted rows, handed over as `chunk`.
-- Grain: row x flag
insert into raw.flag by name
select $file_id as file_id, row_number, line, flag
from chunk

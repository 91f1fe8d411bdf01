-- Keeps skipped lines, handed over as `chunk`.
-- Grain: skipped line
insert into raw.skipped by name
select $file_id as file_id, line, why, raw
from chunk

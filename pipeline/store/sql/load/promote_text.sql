-- The text of promoted rows.
-- Grain: source row
insert into raw.source_row by name
select file_id, row_number, raw
from heir
where place = 1 and raw is not null

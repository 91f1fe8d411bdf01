-- Rows that came back when the file at hand was withdrawn.
-- Grain: accepted row
select @fields
from core.@kind
where (file_id, row_number) in (select (file_id, row_number) from heir where place = 1)

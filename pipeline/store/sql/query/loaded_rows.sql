-- How many rows of one kind the book holds of one source file.
-- Grain: one row
select count(*) as rows_held
from core.@kind
where file_id = $file_id

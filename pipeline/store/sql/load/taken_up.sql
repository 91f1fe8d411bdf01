-- How many rows of replaced files were rejected, and how many of them the file at hand took up.
-- Grain: one row
select
    count(distinct (file_id, row_number)) as rows_before,
    count(distinct (file_id, row_number)) filter (taken_up_by = $file_id) as rows_taken_up
from raw.reject
where list_contains($replaced, file_id) and coalesce(taken_up_by = $file_id, true)

-- Rejected rows of one source file; a row with two faults counts once.
-- Grain: one row
select count(distinct row_number) as rows_rejected
from raw.reject
where file_id = $file_id

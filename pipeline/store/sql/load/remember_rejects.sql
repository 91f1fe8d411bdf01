-- Rejected rows of the earlier reading of a file, by line, or by row where there is none.
-- Grain: rejected row
create or replace temp table rejected_before as
select distinct coalesce(line, row_number) as place
from raw.reject
where file_id = $file_id

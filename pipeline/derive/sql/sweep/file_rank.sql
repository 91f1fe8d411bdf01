-- The order of files, for observations of several files at one instant.
select hash(file_id) as file_hash, row_number() over (order by file_id) as rank
from (select distinct file_id from core.event)

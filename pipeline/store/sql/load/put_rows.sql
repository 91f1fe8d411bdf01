-- Adds one chunk of accepted rows that no other file gives, handed over as `chunk`; columns that it lacks stay empty.
-- Grain: accepted row
insert into core.@kind by name
select *, $file_id as file_id
from chunk

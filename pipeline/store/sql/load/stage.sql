-- An empty table for the accepted rows of one kind in one source file.
-- Grain: none yet
create or replace temp table staged_@kind as
select *, null::varchar as raw
from core.@kind
limit 0

-- Staged rows that are new or win.
-- Grain: accepted row
select @fields
from staged_@kind
where rowid not in (select staged_id from unaccepted)

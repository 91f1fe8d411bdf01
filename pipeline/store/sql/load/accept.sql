-- Staged rows that are new, or win and say all that the loser says.
-- Grain: accepted row
insert into core.@kind by name
select staged.* exclude (raw)
from staged_@kind as staged
where staged.rowid not in (select staged_id from unaccepted)

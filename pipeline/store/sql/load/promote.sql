-- The best other version of a fact holds when the one that overruled it is withdrawn.
-- Grain: accepted row
insert into core.@kind by name
select unnest(from_json(row_json, '@structure')), occurrence, file_id, row_number, line
from heir
where place = 1

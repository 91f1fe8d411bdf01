-- Contested rows as they hold now.
-- Grain: accepted row
insert into core.@kind by name
select unnest(from_json(row_json, '@structure')), occurrence, file_id, row_number, line
from settled

-- Contested rows as they hold now, where their values changed.
-- Grain: accepted row
select unnest(from_json(row_json, '@structure')) from settled where moved

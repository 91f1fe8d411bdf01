-- Counts a transaction that changed what the book holds.
-- Grain: key
insert or replace into raw.book
select $key as key, (1 + coalesce(max(value)::bigint, 0))::varchar as value
from raw.book
where key = $key

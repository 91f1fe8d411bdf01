-- The versions that stay on record, highest first, with what the versions above them give.
-- Grain: contested fact x version that stays
create or replace temp table kept as
select
    *,
    row_number() over higher as place,
    coalesce(flatten(list(json_keys(row_json)) over above), []) as fields_above
from version
where (stored_id, file_id) not in (select (stored_id, loser_file_id) from covering)
window
    higher as (partition by stored_id order by rank desc),
    above as (partition by stored_id order by rank desc rows between unbounded preceding and 1 preceding)

-- The row that holds: each field as the highest version gives it that gives it at all, cited from the highest version.
-- Grain: contested fact
create or replace temp table settled as
with merged as (
    select
        stored_id,
        list_reduce(
            list(row_json::varchar order by rank), lambda lower, higher: json_merge_patch(lower, higher)::varchar
        )::json as row_json
    from kept
    group by stored_id
)
select
    highest.stored_id,
    highest.occurrence,
    highest.file_id,
    highest.row_number,
    highest.line,
    highest.raw,
    merged.row_json,
    stored.file_id as old_file_id,
    stored.row_number as old_row_number,
    to_json(from_json(merged.row_json, '@structure'))::varchar <> (@stored_row)::varchar as moved
from kept as highest
inner join merged on highest.stored_id = merged.stored_id
inner join core.@kind as stored on highest.stored_id = stored.rowid
where highest.place = 1

-- What exports of one fact gave otherwise: the value that does not hold, the one that does, and where each was said; and
-- what an export that lacks a column had filled in from another.
-- Grain: replaced or filled in value; narrowed to files, those in which one of them had a part.
with version as (
    select
        superseded.*,
        superseded.row_json ->> '$.machine' as machine,
        coalesce(
            superseded.row_json ->> '$.started_at', superseded.row_json ->> '$.occurred_at'
        )::timestamptz as noted_at,
        loser.name as loser_name,
        winner.name as winner_name,
    from raw.superseded as superseded
    inner join raw.source_file as loser on superseded.file_id = loser.file_id
    inner join raw.source_file as winner on superseded.winner_file_id = winner.file_id
    where
        $file_ids::varchar[] is null
        or list_contains($file_ids::varchar[], superseded.file_id)
        or list_contains($file_ids::varchar[], superseded.winner_file_id)
),

replaced as (
    select *, unnest(json_keys(changed)) as field from version
),

filled_in as (
    select *, unnest(from_json(filled, '["varchar"]')) as field from version
)

select
    kind,
    machine,
    noted_at,
    field as "column",
    'corrected' as what,
    changed ->> ('$.' || field || '[0]') as old,
    changed ->> ('$.' || field || '[1]') as new,
    loser_name as file,
    row_number,
    winner_name as by_file,
    winner_row_number as by_row_number,
    file_id,
    winner_file_id as by_file_id,
from replaced
union all
select
    kind,
    machine,
    noted_at,
    field as "column",
    'filled in' as what,
    null as old,
    row_json ->> ('$.' || field) as new,
    winner_name as file,
    winner_row_number as row_number,
    loser_name as by_file,
    row_number as by_row_number,
    winner_file_id as file_id,
    file_id as by_file_id,
from filled_in
order by kind, machine, noted_at, file, row_number, "column", by_file

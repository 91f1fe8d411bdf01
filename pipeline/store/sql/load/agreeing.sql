-- Versions on record that the file at hand gives as well, with the file that gave them last.
-- Grain: contested fact whose staged values are on record as another version
create or replace temp table agreeing as
select
    superseded.rowid as superseded_id,
    superseded.file_id as cited_file_id,
    contested.staged_id,
    contested.staged_wins,
    contested.staged_row_number,
    contested.staged_line,
    contested.staged_raw,
    (coalesce(cited.last_record_at, '-infinity'::timestamptz), cited.sha256)
        < (coalesce(make_timestamptz($last_record_us::bigint), '-infinity'::timestamptz), $sha256) as cited_loses
from contested
inner join raw.superseded as superseded
    on superseded.kind = '@kind'
    and superseded.winner_file_id = contested.rival_file_id
    and superseded.winner_row_number = contested.rival_row_number
    and superseded.row_json = contested.staged_row
inner join raw.source_file as cited on superseded.file_id = cited.file_id

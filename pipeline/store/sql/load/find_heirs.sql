-- Other versions of the facts that the file at hand held, best first.
-- Grain: superseded version
create or replace temp table heir as
select
    superseded.rowid as superseded_id,
    superseded.file_id,
    superseded.row_number,
    superseded.line,
    superseded.row_json,
    superseded.occurrence,
    superseded.raw,
    superseded.winner_row_number as old_row_number,
    row_number() over (
        partition by superseded.winner_row_number
        order by coalesce(cited.last_record_at, '-infinity'::timestamptz) desc, cited.sha256 desc
    ) as place
from raw.superseded as superseded
inner join raw.source_file as cited on superseded.file_id = cited.file_id
where superseded.kind = '@kind' and superseded.winner_file_id = $file_id

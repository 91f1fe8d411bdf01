-- Facts of which the file at hand gave one version of several.
-- Grain: contested fact
create or replace temp table contested as
select null::bigint as staged_id, rowid as stored_id, file_id as rival_file_id, row_number as rival_row_number
from core.@kind
where (file_id, row_number) in (
    select (winner_file_id, winner_row_number)
    from raw.superseded
    where kind = '@kind' and (winner_file_id = $file_id or file_id = $file_id)
)

-- Every version on record of the contested facts, that of the file at hand (staged anew, or leaving) as it is now.
-- Grain: contested fact x version
create or replace temp table version as
with filled_in as (
    select winner_file_id, winner_row_number, flatten(list(from_json(filled, '["varchar"]'))) as fields
    from raw.superseded
    where kind = '@kind'
    group by winner_file_id, winner_row_number
),
told as (
    select
        contested.stored_id,
        stored.occurrence,
        stored.file_id,
        stored.row_number,
        stored.line,
        source_row.raw,
        said_fields(@stored_row, tables.fields, coalesce(filled_in.fields, [])) as row_json
    from contested
    inner join core.@kind as stored on contested.stored_id = stored.rowid
    inner join raw.source_table as tables
        on tables.kind = '@kind'
        and stored.file_id = tables.file_id
        and stored.row_number between tables.first_row and tables.last_row
    left join filled_in
        on stored.file_id = filled_in.winner_file_id
        and stored.row_number = filled_in.winner_row_number
    left join raw.source_row as source_row
        on stored.file_id = source_row.file_id
        and stored.row_number = source_row.row_number
    where stored.file_id <> $file_id
    union all
    select
        contested.stored_id,
        superseded.occurrence,
        superseded.file_id,
        superseded.row_number,
        superseded.line,
        superseded.raw,
        superseded.row_json
    from contested
    inner join raw.superseded as superseded
        on superseded.kind = '@kind'
        and contested.rival_file_id = superseded.winner_file_id
        and contested.rival_row_number = superseded.winner_row_number
    where superseded.file_id <> $file_id
    union all
    select
        contested.stored_id,
        staged.occurrence,
        staged.file_id,
        staged.row_number,
        staged.line,
        staged.raw,
        said_fields(@staged_row, tables.fields, []) as row_json
    from contested
    inner join staged_@kind as staged on contested.staged_id = staged.rowid
    inner join raw.source_table as tables
        on tables.kind = '@kind'
        and staged.file_id = tables.file_id
        and staged.row_number between tables.first_row and tables.last_row
)
select told.*, file.rank
from told
inner join raw.source_file as file on told.file_id = file.file_id

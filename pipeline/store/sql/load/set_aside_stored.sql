-- Stored rows that the file at hand corrects.
-- Grain: superseded version
insert into raw.superseded by name
select
    '@kind' as kind,
    contested.rival_file_id as file_id,
    contested.rival_row_number as row_number,
    contested.stored_line as line,
    contested.occurrence,
    contested.stored_row as row_json,
    source_row.raw,
    $file_id as winner_file_id,
    contested.staged_row_number as winner_row_number,
    changed_fields(contested.stored_row, contested.staged_row) as changed
from contested
left join raw.source_row as source_row
    on source_row.file_id = contested.rival_file_id
    and source_row.row_number = contested.rival_row_number
where contested.staged_wins and not contested.same_values

-- Rows of the file at hand that a later file has corrected already.
-- Grain: superseded version
insert into raw.superseded by name
select
    '@kind' as kind,
    $file_id as file_id,
    contested.staged_row_number as row_number,
    contested.staged_line as line,
    contested.occurrence,
    contested.staged_row as row_json,
    contested.staged_raw as raw,
    contested.rival_file_id as winner_file_id,
    contested.rival_row_number as winner_row_number,
    changed_fields(contested.staged_row, contested.stored_row) as changed
from contested
where
    not contested.staged_wins
    and not contested.same_values
    and contested.staged_id not in (select staged_id from agreeing)

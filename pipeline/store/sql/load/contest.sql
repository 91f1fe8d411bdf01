-- Matched rows that need more than a new citation: the values differ, or other versions of the fact are on record.
-- Grain: contested fact
create or replace temp table contested as
with due as (
    select staged_id, stored_id, rival_file_id, rival_row_number, staged_wins, same_values
    from matched
    where
        not same_values
        or (rival_file_id, rival_row_number) in (
            select (winner_file_id, winner_row_number) from raw.superseded where kind = '@kind'
        )
)
select
    due.staged_id,
    due.rival_file_id,
    due.rival_row_number,
    due.staged_wins,
    due.same_values,
    stored.line as stored_line,
    stored.occurrence,
    staged.row_number as staged_row_number,
    staged.line as staged_line,
    staged.raw as staged_raw,
    @staged_row as staged_row,
    @stored_row as stored_row
from due
inner join staged_@kind as staged on due.staged_id = staged.rowid
inner join core.@kind as stored on due.stored_id = stored.rowid

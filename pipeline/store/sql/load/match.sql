-- Staged rows whose fact is in the book already: who wins, and whether the winner says all that the loser says.
-- Winner: the file of the higher rank.
-- Grain: staged row with a stored row of the same identity
create or replace temp table matched as
with own as (
    select file_id, first_row, last_row, @says as says
    from raw.source_table
    where file_id = $file_id and kind = '@kind'
),
rival as (
    select file.file_id, file.rank < $rank as loses, tables.first_row, tables.last_row, @says as says
    from raw.source_file as file
    inner join raw.source_table as tables on file.file_id = tables.file_id
    where tables.kind = '@kind' and file.file_id <> $file_id
)
select
    staged.rowid as staged_id,
    stored.rowid as stored_id,
    stored.file_id as rival_file_id,
    stored.row_number as rival_row_number,
    rival.loses as staged_wins,
    if(rival.loses, @stored_covered, @staged_covered) as covered
from staged_@kind as staged
inner join core.@kind as stored on @same_fact
inner join own on staged.file_id = own.file_id and staged.row_number between own.first_row and own.last_row
inner join rival on stored.file_id = rival.file_id and stored.row_number between rival.first_row and rival.last_row
where @near

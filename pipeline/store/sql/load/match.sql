-- Staged rows whose fact is in the book already: who wins, and whether the values agree.
-- Winner: the file with the later last record (none counts as earliest), then the larger hash.
-- Grain: staged row with a stored row of the same identity
create or replace temp table matched as
with rival as (
    select
        file_id,
        (coalesce(last_record_at, '-infinity'::timestamptz), sha256)
            < (coalesce(make_timestamptz($last_record_us::bigint), '-infinity'::timestamptz), $sha256) as loses
    from raw.source_file
)
select
    staged.rowid as staged_id,
    stored.rowid as stored_id,
    stored.file_id as rival_file_id,
    stored.row_number as rival_row_number,
    rival.loses as staged_wins,
    @same_values as same_values
from staged_@kind as staged
inner join core.@kind as stored on @same_fact
inner join rival on stored.file_id = rival.file_id
where @near

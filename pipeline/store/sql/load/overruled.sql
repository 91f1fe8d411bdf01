-- Files with facts that the file at hand overruled, as far as they can still be read.
-- Grain: source file
create or replace temp table overruled as
with recursive gone as (
    select file_id
    from raw.source_path
    group by file_id
    having not bool_or(stands)
),
reached as (
    select loser_file_id as file_id from raw.overlap where winner_file_id = $file_id
    union
    select overlap.loser_file_id
    from reached
    inner join gone on reached.file_id = gone.file_id
    inner join raw.overlap as overlap on reached.file_id = overlap.winner_file_id
)
select file_id from reached
where file_id <> $file_id and file_id not in (select file_id from gone)
order by file_id

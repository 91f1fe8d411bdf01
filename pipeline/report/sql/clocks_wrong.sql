-- What the notes of loaded files that still stand say of clocks that were off by an hour and more.
-- Grain: source file x note.
with
gone as (
    select file_id from raw.source_path group by file_id having not bool_or(stands)
),

told as (
    select name, unnest(string_split(notes, '; ')) as note
    from raw.source_file
    where status = 'loaded' and notes like '%the clock of %' and file_id not in (from gone)
)

select name, note
from told
where
    note like 'the clock of % was about %'
    or regexp_matches(note, '^the clock of .* stepped back .*[0-9] (h|d|years)\b')
order by name, note

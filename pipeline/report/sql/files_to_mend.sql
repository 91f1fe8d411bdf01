-- Files of which nothing was read, as long as they stand where they were found.
-- Grain: source file.
with gone as (
    select file_id from raw.source_path group by file_id having not bool_or(stands)
)

select name, status, shape, reason
from raw.source_file
where status in ('needs a profile', 'unreadable') and file_id not in (from gone)
order by status, name

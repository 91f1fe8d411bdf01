-- Rejected rows, whole, with the file they stand in and what became of them: open, taken up (mended in a later export),
-- or closed (their file was exported again or is gone).
-- Grain: rejected row x problem.
with seen as (
    select file_id, bool_or(stands) as stands, min(seen_at) as seen_at
    from raw.source_path
    group by file_id
)

select
    source.name as file,
    reject.row_number,
    reject.line,
    reject.column_name as "column",
    reject.value,
    reject.reason,
    reject.message,
    reject.raw,
    case
        when reject.taken_up_by is not null then 'taken up'
        when coalesce(seen.stands, true) then 'open'
        else 'closed'
    end as state,
    later.name as taken_up_by,
    coalesce(seen.seen_at, source.ingested_at) as since,
    source.profile,
from raw.reject as reject
inner join raw.source_file as source on reject.file_id = source.file_id
left join seen on reject.file_id = seen.file_id
left join raw.source_file as later on reject.taken_up_by = later.file_id
order by source.name, reject.row_number, reject.column_name

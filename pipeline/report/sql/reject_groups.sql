-- Rejected rows that are still to be mended, by cause, with one example and what to do. Those of files that stand
-- nowhere any more, and those that a later export mended, are closed.
-- Grain: reason x column.
with gone as (
    select file_id from raw.source_path group by file_id having not bool_or(stands)
)

select
    reject.reason,
    reject.column_name as "column",
    count(distinct (file_id, row_number)) as rows,
    arg_min(source.name, (file_id, row_number)) as file,
    arg_min(message, (file_id, row_number)) as message,
    arg_min(file_id, (file_id, row_number)) as file_id,
    arg_min(row_number, (file_id, row_number)) as row_number,
    arg_min(line, (file_id, row_number)) as line,
from raw.reject as reject
inner join raw.source_file as source using (file_id)
where reject.taken_up_by is null and file_id not in (from gone)
group by reject.reason, reject.column_name
order by rows desc, reject.reason, reject.column_name

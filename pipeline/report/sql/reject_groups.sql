-- Rejected rows by cause, with one example and what to do.
-- Grain: reason x column.
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
group by reject.reason, reject.column_name
order by rows desc, reject.reason, reject.column_name

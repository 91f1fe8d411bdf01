-- Rejected rows by cause, with one example and what to do.
-- Grain: reason x column.
select
    reason,
    column_name as "column",
    count(distinct (file_id, row_number)) as rows,
    arg_min(message, (file_id, row_number)) as message,
    arg_min(file_id, (file_id, row_number)) as file_id,
    arg_min(row_number, (file_id, row_number)) as row_number,
    arg_min(line, (file_id, row_number)) as line,
from raw.reject
group by reason, column_name
order by rows desc, reason, column_name

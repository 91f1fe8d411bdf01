-- Rejected rows, whole, with the file they stand in.
-- Grain: rejected row x problem.
select
    source.name as file,
    reject.row_number,
    reject.line,
    reject.column_name as "column",
    reject.value,
    reject.reason,
    reject.message,
    reject.raw,
from raw.reject as reject
inner join raw.source_file as source using (file_id)
order by source.name, reject.row_number, reject.column_name

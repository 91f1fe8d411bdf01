-- Rows of the file at hand that were put into the book before one of its rows was found to be near those of another.
-- Grain: accepted row
insert into staged_@kind by name
select stored.*, source_row.raw
from core.@kind as stored
left join raw.source_row as source_row
    on stored.file_id = source_row.file_id and stored.row_number = source_row.row_number
where stored.file_id = $file_id

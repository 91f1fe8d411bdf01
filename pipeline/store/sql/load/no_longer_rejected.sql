-- How many rows the earlier reading of a file rejected, and how many of them the new one accepts.
-- Grain: one row
select
    count(*) as rows_before,
    count(*) filter (
        place not in (select coalesce(line, row_number) from raw.reject where file_id = $file_id)
        and place not in (select line from raw.skipped where file_id = $file_id and line is not null)
    ) as rows_taken_up
from rejected_before

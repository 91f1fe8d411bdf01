-- Source files whose account does not add up.
-- Grain: source file
select file_id, name, rows_read, rows_loaded, rows_duplicate, rows_rejected
from raw.source_file
where
    list_contains($file_ids, file_id)
    and (
        rows_read <> rows_loaded + rows_duplicate + rows_rejected
        or least(rows_loaded, rows_duplicate, rows_rejected, rows_skipped) < 0
    )
order by file_id

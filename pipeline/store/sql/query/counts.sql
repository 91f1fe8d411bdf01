-- The counts of some source files as they stand.
-- Grain: source file
select file_id, rows_read, rows_loaded, rows_duplicate, rows_rejected, rows_skipped
from raw.source_file
where file_id in (select unnest($file_ids::varchar[]))

-- Every file seen and the account of its rows.
-- Grain: source file.
select
    file_id, name, shape, profile, status, rows_read, rows_loaded, rows_duplicate, rows_rejected, rows_skipped,
    first_record_at, last_record_at, if(status = 'loaded', notes, reason) as reason,
from raw.source_file
order by name, file_id

-- What the book knows of one source file.
-- Grain: source file
select
    file_id, sha256, name, status, reason, rows_read, rows_loaded, rows_duplicate, rows_rejected, rows_skipped,
    epoch_us(last_record_at) as last_record_us, notes, reading_fingerprint, stale, rank, shape
from raw.source_file
where file_id = $file_id

-- All that the accepted rows depend on: which files were read, how, and which of their rows hold.
-- Grain: source file
select file_id, status, rows_loaded, rows_rejected, reading_fingerprint, stale, rank
from raw.source_file
order by file_id

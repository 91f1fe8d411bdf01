-- Enters the counts of a source file.
-- Grain: source file
update raw.source_file
set
    rows_read = $rows_read,
    rows_loaded = $rows_loaded,
    rows_duplicate = $rows_duplicate,
    rows_rejected = $rows_rejected,
    rows_skipped = $rows_skipped
where file_id = $file_id

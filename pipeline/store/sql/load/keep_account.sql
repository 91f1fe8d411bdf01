-- A file that was loaded before and cannot be read with today's settings keeps the rows it gave then.
-- Grain: source file
update raw.source_file
set notes = $notes, reading_fingerprint = $reading_fingerprint, stale = false
where file_id = $file_id

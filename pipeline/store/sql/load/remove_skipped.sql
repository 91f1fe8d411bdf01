-- Skipped lines of an earlier reading of the file.
-- Grain: skipped line
delete from raw.skipped where file_id = $file_id

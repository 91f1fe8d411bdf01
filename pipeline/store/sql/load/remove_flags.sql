-- Flags of an earlier reading of the file.
-- Grain: row x flag
delete from raw.flag where file_id = $file_id

-- The numbers of the earlier reading of a file.
-- Grain: numbered observation
delete from raw.sequence where file_id = $file_id

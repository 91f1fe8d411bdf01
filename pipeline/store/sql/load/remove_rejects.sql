-- Rejects of an earlier reading of the file.
-- Grain: reject
delete from raw.reject where file_id = $file_id

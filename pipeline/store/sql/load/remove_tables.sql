-- Tables of an earlier reading of the file.
-- Grain: source file x stretch of rows
delete from raw.source_table where file_id = $file_id

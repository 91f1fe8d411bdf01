-- Texts of accepted rows that an earlier reading of the file gave.
-- Grain: source row
delete from raw.source_row where file_id = $file_id

-- The text of rows that were taken back: they bear it themselves.
-- Grain: source row
delete from raw.source_row
where file_id = $file_id and row_number in (select row_number from staged_@kind)

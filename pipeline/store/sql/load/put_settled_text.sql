-- The text of contested rows, of the version that they are cited from.
-- Grain: source row
insert into raw.source_row by name
select file_id, row_number, raw from settled where raw is not null

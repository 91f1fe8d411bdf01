-- The fields that the tables of the file at hand have.
-- Grain: source file x stretch of rows
insert into raw.source_table values ($file_id, $kind, $first_row, $last_row, $fields)

-- The text of contested rows.
-- Grain: source row
delete from raw.source_row
where (file_id, row_number) in (select (rival_file_id, rival_row_number) from contested)

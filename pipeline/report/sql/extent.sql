-- First and last record in the book.
-- Grain: one row.
select min(first_record_at) as first_at, max(last_record_at) as last_at from raw.source_file where rows_loaded > 0

-- The account of a file whose rows another file now holds.
-- Grain: source file
update raw.source_file
set
    rows_loaded = rows_loaded - $taken,
    rows_duplicate = rows_duplicate + $taken,
    is_extent_known = false
where file_id = $file_id

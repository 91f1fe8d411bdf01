-- What the rows of all files are is known.
-- Grain: source file
update raw.source_file set is_extent_known = true where not is_extent_known

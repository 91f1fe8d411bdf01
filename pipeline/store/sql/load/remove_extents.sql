-- What rows of files were whose rows changed.
-- Grain: source file x kind x machine
delete from raw.source_extent where file_id in (select file_id from raw.source_file where not is_extent_known)

-- What stood at a path before stands there no longer.
-- Grain: path x source file
update raw.source_path set stands = false where path = $path and file_id <> $file_id and stands

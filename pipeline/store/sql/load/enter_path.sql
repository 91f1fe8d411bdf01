-- A file stands at a path.
-- Grain: path x source file
merge into raw.source_path as known
using (select $path as path, $file_id as file_id) as found
on known.path = found.path and known.file_id = found.file_id
when matched then update set stands = true
when not matched then insert values (found.path, found.file_id, true, $seen_at)

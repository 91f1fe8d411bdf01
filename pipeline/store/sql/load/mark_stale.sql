-- Files that were overruled by the file at hand are to be read again: what they said may hold now. Of a file that
-- stands nowhere any more the files that it had overruled.
-- Grain: source file
update raw.source_file
set stale = true
where file_id in (from overruled)

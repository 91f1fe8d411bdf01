-- Files that were overruled by the file at hand are to be read again: what they said may hold now.
-- Grain: source file
update raw.source_file
set stale = true
where file_id in (select loser_file_id from raw.overlap where winner_file_id = $file_id)

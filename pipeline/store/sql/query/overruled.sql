-- Files with facts that the file at hand overruled.
-- Grain: source file
select loser_file_id
from raw.overlap
where winner_file_id = $file_id
order by loser_file_id

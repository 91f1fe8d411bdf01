-- Remembers which files give versions that are not kept, because another file says them.
-- Grain: losing file x winning file
insert into raw.overlap
select distinct loser_file_id, winner_file_id
from covering
except
select loser_file_id, winner_file_id from raw.overlap

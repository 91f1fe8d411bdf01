-- Remembers which file overruled which.
-- Grain: losing file x winning file
insert into raw.overlap
select distinct
    if(staged_wins, rival_file_id, $file_id) as loser_file_id,
    if(staged_wins, $file_id, rival_file_id) as winner_file_id
from matched
except
select loser_file_id, winner_file_id from raw.overlap

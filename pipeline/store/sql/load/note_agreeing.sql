-- Remembers overlaps between losing versions.
-- Grain: losing file x winning file
insert into raw.overlap
select distinct
    if(cited_loses, cited_file_id, $file_id) as loser_file_id,
    if(cited_loses, $file_id, cited_file_id) as winner_file_id
from agreeing
except
select loser_file_id, winner_file_id from raw.overlap

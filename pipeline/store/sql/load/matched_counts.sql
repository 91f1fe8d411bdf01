-- The size of the overlap with one other file.
-- Grain: other file
select
    rival_file_id,
    count(*) filter (staged_wins) as taken,
    count(*) filter (not staged_wins) as lost
from matched
group by rival_file_id

-- The size of the overlap with one other file, facts that need more than a new citation apart.
-- Grain: other file
select
    matched.rival_file_id,
    count(*) filter (matched.staged_wins and contested.staged_id is null) as taken,
    count(*) filter (not matched.staged_wins and contested.staged_id is null) as lost,
    count(contested.staged_id) as contested
from matched
left join contested on matched.staged_id = contested.staged_id
group by matched.rival_file_id

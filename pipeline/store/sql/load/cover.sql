-- Versions of which a version of higher rank says all that they say, and the same.
-- Grain: covered version x covering version
create or replace temp table covering as
select covered.stored_id, covered.file_id as loser_file_id, holding.file_id as winner_file_id
from version as covered
inner join version as holding
    on covered.stored_id = holding.stored_id
    and covered.rank < holding.rank
    and json_contains(holding.row_json, covered.row_json)

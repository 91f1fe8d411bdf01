-- Stored rows that give way to the file at hand and leave nothing that it does not say.
-- Grain: accepted row
create or replace temp table won as
select stored_id, rival_file_id, rival_row_number
from matched
where staged_wins and stored_id not in (select stored_id from contested)

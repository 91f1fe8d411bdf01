-- Matched rows that need more than a new citation: each says what the other does not, or other versions are on record.
-- Grain: contested fact
create or replace temp table contested as
select staged_id, stored_id, rival_file_id, rival_row_number
from matched
where
    not covered
    or (rival_file_id, rival_row_number) in (
        select (winner_file_id, winner_row_number) from raw.superseded where kind = '@kind'
    )

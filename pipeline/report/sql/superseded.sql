-- Rows that a later export corrected, with what changed.
-- Grain: replaced row.
select
    kind,
    changed::varchar as change,
    file_id,
    row_number,
    winner_file_id as by_file_id,
    winner_row_number as by_row_number,
from raw.superseded
where changed::varchar <> '{}'
order by kind, file_id, row_number
limit 500

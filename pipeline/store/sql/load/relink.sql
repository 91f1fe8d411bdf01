-- Other versions of a fact follow it to the row that holds now.
-- Grain: superseded version
update raw.superseded
set
    winner_file_id = $file_id,
    winner_row_number = contested.staged_row_number,
    changed = changed_fields(raw.superseded.row_json, contested.staged_row)
from contested
where
    raw.superseded.kind = '@kind'
    and raw.superseded.winner_file_id = contested.rival_file_id
    and raw.superseded.winner_row_number = contested.rival_row_number
    and contested.staged_wins

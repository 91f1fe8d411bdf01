-- The remaining versions follow the promoted one.
-- Grain: superseded version
update raw.superseded
set
    winner_file_id = promoted.file_id,
    winner_row_number = promoted.row_number,
    changed = changed_fields(raw.superseded.row_json, promoted.row_json)
from heir
inner join heir as promoted on heir.old_row_number = promoted.old_row_number and promoted.place = 1
where raw.superseded.rowid = heir.superseded_id and heir.place > 1

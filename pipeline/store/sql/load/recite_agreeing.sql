-- A losing version is cited from the last file that gave it.
-- Grain: superseded version
update raw.superseded
set
    file_id = $file_id,
    row_number = agreeing.staged_row_number,
    line = agreeing.staged_line,
    raw = agreeing.staged_raw
from agreeing
where
    raw.superseded.rowid = agreeing.superseded_id
    and not agreeing.staged_wins
    and agreeing.cited_loses

-- The text of staged rows that are new or win.
-- Grain: source row
insert into raw.source_row by name
select staged.file_id, staged.row_number, staged.raw
from staged_@kind as staged
where staged.raw is not null and staged.rowid not in (select staged_id from unaccepted)

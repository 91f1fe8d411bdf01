-- The account of files whose rows hold again.
-- Grain: source file
update raw.source_file
set
    rows_loaded = raw.source_file.rows_loaded + promoted.facts,
    rows_duplicate = raw.source_file.rows_duplicate - promoted.facts
from (select file_id, count(*) as facts from heir where place = 1 group by file_id) as promoted
where raw.source_file.file_id = promoted.file_id

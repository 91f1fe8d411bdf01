-- The accounts of the other files whose rows hold now, or no longer.
-- Grain: source file
update raw.source_file
set
    rows_loaded = raw.source_file.rows_loaded + moved.facts,
    rows_duplicate = raw.source_file.rows_duplicate - moved.facts,
    is_extent_known = false
from (
    select file_id, sum(facts)::bigint as facts
    from (
        select file_id, 1 as facts from settled
        union all
        select old_file_id, -1 from settled
    )
    where file_id <> $file_id
    group by file_id
) as moved
where raw.source_file.file_id = moved.file_id

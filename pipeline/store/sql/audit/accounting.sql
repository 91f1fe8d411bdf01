-- Source files whose account does not add up, or does not agree with the rows that the book holds of them.
-- Grain: source file. Rows here mean a fault of ours; the book should be rebuilt from the exports.
with asked as (
    select * from raw.source_file where $file_ids::varchar[] is null or list_contains($file_ids::varchar[], file_id)
),
held as (
    select file_id, count(*) as rows_held
    from (
        select file_id from core.cycle semi join asked using (file_id)
        union all
        select file_id from core.tool_change semi join asked using (file_id)
        union all
        select file_id from core.edge_change semi join asked using (file_id)
        union all
        select file_id from core.event semi join asked using (file_id)
        union all
        select file_id from core.estimate semi join asked using (file_id)
        union all
        select file_id from core.job semi join asked using (file_id)
    )
    group by file_id
),
rejected as (
    select file_id, count(distinct row_number) as rows_kept
    from raw.reject semi join asked using (file_id)
    group by file_id
),
skipped as (
    select file_id, count(*) as rows_kept
    from raw.skipped semi join asked using (file_id)
    group by file_id
)
select
    source_file.file_id,
    source_file.name,
    source_file.rows_read,
    source_file.rows_loaded,
    source_file.rows_duplicate,
    source_file.rows_rejected,
    source_file.rows_skipped,
    coalesce(held.rows_held, 0) as rows_held,
    coalesce(rejected.rows_kept, 0) as rejects_kept,
    coalesce(skipped.rows_kept, 0) as skipped_kept
from asked as source_file
left join held on source_file.file_id = held.file_id
left join rejected on source_file.file_id = rejected.file_id
left join skipped on source_file.file_id = skipped.file_id
where
    source_file.rows_read
        <> source_file.rows_loaded + source_file.rows_duplicate + source_file.rows_rejected
    or source_file.rows_loaded <> coalesce(held.rows_held, 0)
    or source_file.rows_rejected <> coalesce(rejected.rows_kept, 0)
    or source_file.rows_skipped <> coalesce(skipped.rows_kept, 0)
    or source_file.rows_duplicate < 0
order by source_file.file_id

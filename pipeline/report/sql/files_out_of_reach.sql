-- Files of which rows were rejected, or nothing was read, and whose content stands nowhere any more: replaced at their
-- path, or gone. No mended profile reaches them.
-- Grain: source file.
with seen as (
    select file_id, bool_or(stands) as stands, max(path) as path
    from raw.source_path
    group by file_id
),
open_rows as (
    select file_id, count(distinct row_number) as rows_open
    from raw.reject
    where taken_up_by is null
    group by file_id
)
select
    source.name,
    seen.path,
    source.status,
    source.shape,
    source.reading_fingerprint,
    coalesce(open_rows.rows_open, 0)::bigint as rows_open,
    exists (
        select 1
        from raw.source_path as mine
        inner join raw.source_path as other on mine.path = other.path and mine.file_id <> other.file_id
        where mine.file_id = source.file_id and other.stands
    ) as is_replaced,
from raw.source_file as source
inner join seen on source.file_id = seen.file_id
left join open_rows on source.file_id = open_rows.file_id
where not seen.stands and (source.status = 'needs a profile' or open_rows.rows_open > 0)
order by source.name

-- Every file seen and the account of its rows.
-- Grain: source file.
with gone as (
    select
        file_id,
        bool_or(path in (select path from raw.source_path where stands)) as replaced,
    from raw.source_path
    group by file_id
    having not bool_or(stands)
)

select
    source.file_id, name, shape, profile, status, rows_read, rows_loaded, rows_duplicate, rows_rejected, rows_skipped,
    first_record_at, last_record_at,
    concat_ws(
        '; ',
        case
            when gone.replaced then 'exported again since: the newer file holds where the two differ'
            when gone.file_id is not null then 'no longer there; its rows stay'
        end,
        nullif(if(status = 'loaded', notes, source.reason), '')
    ) as reason,
from raw.source_file as source
left join gone on source.file_id = gone.file_id
order by name, source.file_id

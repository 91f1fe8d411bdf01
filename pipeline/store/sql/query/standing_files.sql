-- Files that were found at paths, with their accounts, and whether they may be left as they are as far as the paths tell:
-- the file is known to stand there, and no file that it replaced there ranks above it.
-- Grain: path at which a file was found
with found as (
    select unnest($stands_at::varchar[]) as path, unnest($file_ids::varchar[]) as file_id
),
standing as (
    select path, file_id from raw.source_path where stands
),
own_path as (
    select path, file_id from found
    union
    select path, file_id from standing where file_id in (select file_id from found)
),
replaced as (
    select own_path.file_id, max(before.rank) as rank_floor
    from own_path
    inner join raw.source_path as seen on own_path.path = seen.path and own_path.file_id <> seen.file_id
    inner join raw.source_file as before on seen.file_id = before.file_id
    where before.status = 'loaded' and seen.file_id not in (select file_id from standing)
    group by own_path.file_id
)
select
    found.path,
    file.file_id, file.name, file.status, file.reason, file.rows_read, file.rows_loaded, file.rows_duplicate,
    file.rows_rejected, file.rows_skipped, file.notes, true as already_known,
    file.shape, file.reading_fingerprint,
    not file.stale
    and not coalesce(file.status = 'loaded' and replaced.rank_floor > file.rank, false) as holds,
    standing.path is not null as is_known_here
from found
inner join raw.source_file as file on found.file_id = file.file_id
left join standing on found.path = standing.path and found.file_id = standing.file_id
left join replaced on found.file_id = replaced.file_id

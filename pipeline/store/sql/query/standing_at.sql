-- Whether a file is known to stand at a path, and what stood where it stands and stands nowhere else.
-- Grain: one row
with own_path as (
    select $path as path
    union
    select path from raw.source_path where file_id = $file_id and stands
),
before as (
    select distinct file_id
    from raw.source_path
    where
        path in (from own_path)
        and file_id <> $file_id
        and file_id not in (select file_id from raw.source_path where stands and path not in (from own_path))
)
select
    exists (select * from raw.source_path where path = $path and file_id = $file_id and stands) as known_here,
    list(file.file_id order by file.file_id) as replaced,
    max(file.rank) filter (file.status = 'loaded') as rank_floor
from before
inner join raw.source_file as file on before.file_id = file.file_id

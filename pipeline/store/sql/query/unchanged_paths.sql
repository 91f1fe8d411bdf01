-- Paths of which the disk says what it said when they were read, and what they hold.
-- Grain: path
with asked as (
    select
        unnest($paths::varchar[]) as path,
        unnest($bytes::bigint[]) as bytes,
        unnest($modified_ns::bigint[]) as modified_ns,
        unnest($changed_ns::bigint[]) as changed_ns,
        unnest($inodes::ubigint[]) as inode
)
select stamp.path, stamp.stands_at, stamp.file_ids, stamp.folders, stamp.digests
from asked
inner join raw.path_stamp as stamp using (path, bytes, modified_ns, changed_ns, inode)

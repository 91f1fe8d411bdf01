-- Stamps of paths that were read.
-- Grain: path
insert into raw.path_stamp by name
select
    unnest($paths::varchar[]) as path,
    unnest($bytes::bigint[]) as bytes,
    unnest($modified_ns::bigint[]) as modified_ns,
    unnest($changed_ns::bigint[]) as changed_ns,
    unnest($inodes::ubigint[]) as inode,
    unnest($stands_at::varchar[][]) as stands_at,
    unnest($file_ids::varchar[][]) as file_ids,
    unnest($folders::varchar[][]) as folders,
    unnest($digests::varchar[][]) as digests

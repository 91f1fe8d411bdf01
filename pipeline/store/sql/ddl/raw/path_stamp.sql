-- What the disk said of a path when its content was last read: a path of which it says the same still holds the same
-- files, and is not opened. Only stamps that every later change must change are kept.
-- Grain: path
create table if not exists raw.path_stamp (
    path varchar not null,
    bytes bigint not null,
    modified_ns bigint not null,
    changed_ns bigint not null,
    inode ubigint not null,
    stands_at varchar[] not null,          -- the path of each file in it: its own, or that of a member of the zip
    file_ids varchar[] not null,           -- which file that is
    folders varchar[] not null,            -- for which folder each devices document in it counts
    digests varchar[] not null             -- and the hash of what it says
);

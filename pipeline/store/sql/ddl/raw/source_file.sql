-- Every source file that was ever seen, with the account of its rows.
-- Grain: source file
-- Holds: rows_read = rows_loaded + rows_duplicate + rows_rejected
create table if not exists raw.source_file (
    file_id varchar primary key,           -- first 12 hex digits of sha256
    sha256 varchar not null unique,
    name varchar not null,
    bytes bigint not null,
    shape varchar not null,
    profile varchar,
    status varchar not null,               -- loaded, unreadable, needs a profile, set aside
    reason varchar not null,
    rows_read bigint not null,
    rows_loaded bigint not null,           -- rows that core tables cite today
    rows_duplicate bigint not null,        -- rows that another file says as well, or says later
    rows_rejected bigint not null,
    rows_skipped bigint not null,          -- title lines, units rows and the like; not in rows_read
    first_record_at timestamptz,
    last_record_at timestamptz,
    ingested_at timestamptz not null,
    notes varchar not null,
    reading_fingerprint varchar not null,  -- of the profile and settings that it was read with
    stale boolean not null,                -- to be read again, because a file that overruled it was withdrawn
    rank varchar not null,                 -- of two files that give one fact other values, the higher one holds
    is_extent_known boolean default false, -- raw.source_extent says what its rows are now
    told varchar                           -- how files of its folder and head are read, where it is sure by itself
);

-- Which contents were seen at which path, and which of them stands there now.
-- Grain: path (of a zip's member: zip!member) x source file
create table if not exists raw.source_path (
    path varchar not null,
    file_id varchar not null,
    stands boolean not null,
    seen_at timestamptz not null
);

-- What a file that is sure by itself tells of others with its head. Files that are read from now on may tell it.
-- Grain: source file
alter table raw.source_file add column if not exists told varchar;

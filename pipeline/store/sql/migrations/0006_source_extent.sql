-- What the rows of each file are, in short. The table itself comes with the others; the next run fills it.
-- Grain: source file
alter table raw.source_file add column is_extent_known boolean default false;

-- Ends of states are fields of the rows that give them; they were rows of their own that said UNAVAILABLE.
-- Grain: observation. Tables that hold such rows are read once more; those that are gone keep them.
alter table core.event add column if not exists ended_at timestamptz;
alter table core.event add column if not exists end_within_s double;
update raw.source_file
set stale = true
where
    shape not in ('adapter text', 'streams xml')
    and status = 'loaded'
    and file_id in (select file_id from core.event where value = 'UNAVAILABLE' or level = 'UNAVAILABLE');

-- Ranks of files, the fields that their tables have, the paths they stand at, and rejects that came in later.
-- Grain: source file. Files are read once more, for the fields of their tables; those that are gone keep their rows.
alter table raw.source_file add column rank varchar default '';
update raw.source_file
set
    rank = printf(
        '%020d %014d %s', coalesce(epoch_us(last_record_at) + 1000000000000000000, 0), rows_read - rows_rejected, sha256
    ),
    stale = status = 'loaded';
alter table raw.superseded add column filled json default '[]';
alter table raw.reject add column taken_up_by varchar;
create table raw.source_table as
select
    file.file_id,
    kinds.kind,
    0::bigint as first_row,
    9223372036854775807 as last_row,
    kinds.fields
from raw.source_file as file
cross join (
    select table_name as kind, list(column_name) as fields
    from information_schema.columns
    where table_schema = 'core' and column_name not in ('occurrence', 'file_id', 'row_number', 'line')
    group by table_name
) as kinds
where
    file.status = 'loaded'
    and kinds.kind in ('cycle', 'tool_change', 'edge_change', 'event', 'estimate', 'job');

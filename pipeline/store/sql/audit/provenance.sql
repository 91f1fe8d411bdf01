-- Rows that cite a source file which the book does not know.
-- Grain: table x file id. Rows here mean a fault of ours.
with cited as (
    select 'core.cycle' as relation, file_id from core.cycle
    union
    select 'core.tool_change', file_id from core.tool_change
    union
    select 'core.edge_change', file_id from core.edge_change
    union
    select 'core.event', file_id from core.event
    union
    select 'core.estimate', file_id from core.estimate
    union
    select 'core.job', file_id from core.job
    union
    select 'raw.reject', file_id from raw.reject
    union
    select 'raw.skipped', file_id from raw.skipped
    union
    select 'raw.flag', file_id from raw.flag
    union
    select 'raw.sequence', file_id from raw.sequence
    union
    select 'raw.source_row', file_id from raw.source_row
    union
    select 'raw.superseded', file_id from raw.superseded
    union
    select 'raw.source_table', file_id from raw.source_table
    union
    select 'raw.source_path', file_id from raw.source_path
    union
    select 'raw.path_stamp', unnest(file_ids) from raw.path_stamp
)
select cited.relation, cited.file_id
from cited
anti join raw.source_file as source_file on cited.file_id = source_file.file_id
order by cited.relation, cited.file_id

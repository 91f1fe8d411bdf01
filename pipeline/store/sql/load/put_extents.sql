-- What the rows of files are of which that is not known.
-- Grain: source file x kind x machine
insert into raw.source_extent by name
with due as (
    select file_id from raw.source_file where not is_extent_known
)
select
    stored.file_id,
    '@kind' as kind,
    @machine as machine,
    count(*) as rows,
    count(*) filter (@is_execution) as executions,
    min(stored.row_number) as first_row,
    max(stored.row_number) as last_row,
    min(@began_at) as first_at,
    max(@began_at) as last_at,
    coalesce(list(distinct @program order by @program) filter (@program is not null), []) as programs,
    coalesce(list(distinct @job order by @job) filter (@job is not null), []) as jobs
from core.@kind as stored
semi join due on stored.file_id = due.file_id
where @near
group by all

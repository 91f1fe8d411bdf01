-- Source files of which the book says in short something else of their rows than these rows do.
-- Grain: source file x kind x machine
with held as (
    select file_id, 'cycle' as kind, machine, row_number, started_at as began_at, false as is_execution, program, job
    from core.cycle
    union all
    select file_id, 'tool_change', machine, row_number, occurred_at, false, program, null from core.tool_change
    union all
    select file_id, 'edge_change', machine, row_number, occurred_at, false, null, null from core.edge_change
    union all
    select file_id, 'event', machine, row_number, occurred_at, item = 'Execution', null, null from core.event
    union all
    select file_id, 'estimate', machine, row_number, null, false, program, job from core.estimate
    union all
    select file_id, 'job', null, row_number, null, false, null, job from core.job
),
counted as (
    select
        file_id,
        kind,
        machine,
        count(*) as rows,
        count(*) filter (is_execution) as executions,
        min(row_number) as first_row,
        max(row_number) as last_row,
        min(began_at) as first_at,
        max(began_at) as last_at,
        coalesce(list_sort(list(distinct program) filter (program is not null)), []) as programs,
        coalesce(list_sort(list(distinct job) filter (job is not null)), []) as jobs
    from held
    group by all
),
differing as (
    (from counted except from raw.source_extent)
    union all
    (from raw.source_extent except from counted)
)
select differing.*
from differing
inner join raw.source_file as file on differing.file_id = file.file_id
where file.is_extent_known
order by all

-- The estimate lines that hold. Where an estimate was exported again over its old file, lines that the new file leaves
-- out of an operation hold no longer; operations that it leaves out altogether do.
-- Grain: estimate line.
-- Renewed: first.
with
stood as (
    select
        file_id,
        bool_or(stands) as stands,
        bool_or(path in (select path from raw.source_path where stands)) as exported_again,
    from raw.source_path
    group by file_id
),

line as (
    select
        estimate.*,
        not coalesce(stood.stands, true) and coalesce(stood.exported_again, false) as is_old,
    from core.estimate as estimate
    left join stood on estimate.file_id = stood.file_id
)

select * exclude (is_old)
from line
qualify not is_old or bool_and(is_old) over (partition by job, program, operation, machine, revision)

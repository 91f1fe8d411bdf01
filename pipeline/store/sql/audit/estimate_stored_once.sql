-- Facts that the book holds more than once: an estimate line by its identity (DESIGN section 4).
-- Grain: fact. Rows here mean a fault of ours.
with keyed as (
    select
        coalesce(job, '') as of_job,
        coalesce(program, '') as of_program,
        operation,
        coalesce(machine, '') as of_machine,
        coalesce(tool, '') as of_tool,
        coalesce(revision, '') as of_revision,
        occurrence
    from core.estimate
)
select of_job, of_program, operation, of_machine, of_tool, of_revision, occurrence, count(*) as rows_held
from keyed
group by of_job, of_program, operation, of_machine, of_tool, of_revision, occurrence
having count(*) > 1
order by of_job, of_program, operation, of_machine, of_tool, of_revision, occurrence

-- The lines of an estimate added up to what one operation takes. A line with cycle_s replaces the others.
-- Grain: job x program x operation x machine x revision.
-- Renewed: first.
with
summed as (
    select
        job,
        program,
        operation,
        machine,
        revision,
        max(cycle_s) as cycle_s,
        sum(coalesce(cut_s, 0) + coalesce(noncut_s, 0)) as lines_s,
        max(setup_s) as setup_s,
        max(load_s) as load_s,
        max(parts_per_cycle) as parts_per_cycle,
        max(operation_kind) as operation_kind,
        max(material) as material,
    from core.estimate_held
    group by job, program, operation, machine, revision
)

select
    substr(md5(concat_ws('|', job, '/', program, '/', operation, '/', machine, '/', revision)), 1, 16) as estimate_id,
    * exclude (cycle_s, lines_s),
    nullif(round(coalesce(cycle_s, lines_s), 6), 0) as estimate_s, -- less than a microsecond is no estimate
    cycle_s is null and lines_s > 0 as has_tool_lines,
from summed

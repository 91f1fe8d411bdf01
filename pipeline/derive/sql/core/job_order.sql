-- What the order list says that decides where a cycle belongs: part, material and quoted time of each order, by its last
-- row where a list tells it twice. Where nothing of it changed no cycle is looked at again, however often it is exported.
-- Grain: job x ordered_on.
-- Renewed: first.
select
    job,
    ordered_on,
    max(part) as greatest_part,
    arg_max(part, (occurrence, file_id, row_number)) as part,
    arg_max(material, (occurrence, file_id, row_number)) as material,
    arg_max(quoted_cycle_s, (occurrence, file_id, row_number)) as quoted_cycle_s,
from core.job
group by job, ordered_on

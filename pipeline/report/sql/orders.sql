-- The latest order of each job and part, for the stock it takes.
-- Grain: job.
select job, part, material, stock_kg, part_kg
from core.job
qualify row_number() over (partition by job order by ordered_on desc nulls last) = 1
order by job

-- The rows that the book holds against those that the accounts of all files say, where the two differ.
-- Grain: the whole book. A row here means a fault of ours; the book should be rebuilt from the exports.
with total as (
    select
        (select count(*) from core.cycle)
        + (select count(*) from core.tool_change)
        + (select count(*) from core.edge_change)
        + (select count(*) from core.event)
        + (select count(*) from core.estimate)
        + (select count(*) from core.job) as rows_held,
        (select coalesce(sum(rows_loaded), 0) from raw.source_file) as rows_loaded
)
select rows_held, rows_loaded
from total
where rows_held <> rows_loaded

-- How many rows are staged, and from when to when they reach, in microseconds since 1970.
-- Grain: one row
select
    count(*) as rows_staged,
    epoch_us(min(@first_time)) as first_us,
    epoch_us(max(@last_time)) as last_us
from staged_@kind

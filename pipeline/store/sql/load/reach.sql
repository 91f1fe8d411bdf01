-- From when to when the staged rows reach, in microseconds since 1970.
-- Grain: one row
select
    epoch_us(min(@first_time)) as first_us,
    epoch_us(max(@last_time)) as last_us
from staged_@kind

-- Marks the days of changed facts for the next derivation.
-- Grain: kind x machine x UTC day
insert into raw.touched
select distinct '@kind' as kind, @touched
from (@moved) as moved
except
select kind, machine, day_on from raw.touched

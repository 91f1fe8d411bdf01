-- Every batch.
-- Grain: batch.
from core.batch order by machine, started_at

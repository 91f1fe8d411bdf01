-- Every machine.
-- Grain: machine.
from core.machine order by machine

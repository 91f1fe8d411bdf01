-- Points of what the parts of edges in use, and of earlier edges, told of wear.
-- Grain: machine x tool x which x part.
from mart.wear_curve order by machine, tool, which, part_number

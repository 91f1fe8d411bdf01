-- Points of the survival curves of every tool.
-- Grain: machine x tool x curve x point.
from mart.life_curve order by machine, tool, which, life

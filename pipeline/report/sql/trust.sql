-- How quotes of past jobs would have turned out, and which factors are offered for it.
-- Grain: time_kind.
select trust.*
from mart.quote_trust as trust
order by list_position(['cycle', 'cut', 'noncut', 'setup', 'load'], trust.time_kind)

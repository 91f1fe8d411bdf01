-- UTC days on which a state of a machine ends now and did not before, or did and does not.
-- Grain: machine x UTC day.
with
came as (from core.state_end except from @book.core.state_end),

went as (from @book.core.state_end except from core.state_end)

select distinct machine, occurred_at::date as day_on
from (from came union all from went)

-- The newest kept quotes against what then happened, for the page of trust; the mart has all.
-- Grain: quote x operation.
select outcome.*
from mart.quote_outcome as outcome
order by outcome.given_at desc, outcome.quote_id, outcome.line
limit 400

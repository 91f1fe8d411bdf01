-- What was quoted against what then happened, the latest quotes first.
-- Grain: quote x operation.
select outcome.*
from mart.quote_outcome as outcome
where
    coalesce(outcome.machine = $machine, true)
    and ($job is null or $job in (outcome.job, outcome.program))
order by outcome.given_at desc, outcome.quote_id, outcome.line

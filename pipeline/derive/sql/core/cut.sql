-- Instants at which a machine's time can be cut in two, one a UTC day: the start of a complete cycle at which a stretch of
-- the time line begins and over which no other cycle runs.
-- Grain: machine x UTC day on which there is one.
-- Renewed: by window.
with
runs as (
    select
        machine,
        started_at,
        run_id,
        batch_id,
        outcome,
        max(ended_at) over (
            partition by machine order by started_at, run_id rows between unbounded preceding and 1 preceding
        ) as ended_before,
        lead(started_at) over (partition by machine order by started_at, run_id) as next_started_at,
    from core.run
)

select runs.machine, runs.started_at, runs.run_id, runs.batch_id
from runs
inner join core.span as span
    on runs.machine = span.machine
    and runs.started_at = span.started_at
    and span.state in ('cutting', 'noncutting')
where
    runs.outcome = 'complete'
    and coalesce(runs.ended_before <= runs.started_at, true)
    and coalesce(runs.next_started_at > runs.started_at, true)
qualify row_number() over (partition by runs.machine, runs.started_at::date order by runs.started_at) = 1

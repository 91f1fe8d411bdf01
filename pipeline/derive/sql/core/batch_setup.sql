-- Time that was spent setting up for a batch, from when on.
-- Grain: batch that was set up for.
-- Renewed: by window.
with
windows_by_hour as (
    select *, unnest(generate_series(started_us // 3600000000, (ended_us - 1) // 3600000000)) as hour
    from core.setup_window
    where ended_us > started_us
),

spans as (
    select machine, epoch_us(started_at) as started_us, epoch_us(ended_at) as ended_us
    from core.span
    where state = 'setup'
),

spans_by_hour as (
    select *, unnest(generate_series(started_us // 3600000000, (ended_us - 1) // 3600000000)) as hour from spans
)

select
    setup.machine,
    make_timestamptz(min(setup.started_us)) as started_at,
    setup.batch_id,
    sum(least(span.ended_us, setup.ended_us) - greatest(span.started_us, setup.started_us)) / 1e6 as setup_s,
from windows_by_hour as setup
inner join spans_by_hour as span
    on setup.machine = span.machine
    and setup.hour = span.hour
    and span.started_us < setup.ended_us
    and span.ended_us > setup.started_us
-- a pair that meets in several hours counts in the hour in which it begins to
where greatest(span.started_us, setup.started_us) // 3600000000 = setup.hour
group by setup.machine, setup.batch_id, setup.to_us

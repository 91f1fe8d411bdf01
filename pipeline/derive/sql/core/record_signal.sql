-- Everything that cycle lists and tool changes say about a machine, as stretches of named signals.
-- Signals: record (covered by a list), cycle, changing (tool change), noncut (the estimate's share, laid directly after
-- the change), shared (a share was known: the basis is derived, else estimated).
-- Grain: machine x signal x stretch.
with
laid as (
    select
        *,
        started_us + change_us + (coalesce(share, 0) * (ended_us - started_us - change_us))::bigint as noncut_until_us,
    from core.tool_segment
)

select
    machine,
    'record' as signal,
    min(epoch_us(started_at)) as started_us,
    max(epoch_us(ended_at)) as ended_us,
from core.cycle_seen
where basis = 'derived'
group by machine
union all
select machine, 'cycle', epoch_us(started_at), epoch_us(ended_at) from core.cycle_seen where basis = 'derived'
union all
select machine, 'changing', started_us, started_us + change_us from laid where change_us > 0
union all
select machine, 'noncut', started_us + change_us, noncut_until_us from laid where noncut_until_us > started_us + change_us
union all
select machine, 'shared', started_us, ended_us from laid where share is not null

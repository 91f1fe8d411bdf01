-- Everything that cycle lists and tool changes say about a machine, as stretches of named signals.
-- Signals: record (covered by a list), cycle, listed_change (a tool change's own time), noncut (the estimate's share, laid
-- directly after the change), shared (a share was known: the basis is derived, else estimated). A stream that tells no Execution says
-- with its Availability when the machine was seen and when it was lost, and no more.
-- Grain: machine x signal x stretch.
-- Renewed: in passing.
with
last_events as (
    select machine, epoch_us(max(last_at)) as last_us from core.item_day group by machine
),

availability as (
    select
        machine,
        case value when 'AVAILABLE' then 'seen' when 'UNAVAILABLE' then 'lost' end as signal,
        epoch_us(occurred_at) as started_us,
        lead(epoch_us(occurred_at), 1, last_us) over (
            partition by machine, path order by occurred_at, file_id, row_number
        ) as ended_us,
    from (
        select event.*, last_events.last_us
        from core.event as event
        inner join last_events using (machine)
        where machine not in (select machine from core.stream_extent)
    )
    where item = 'Availability'
),

-- a list in which no cycle stands for longer than no_data_after_h tells nothing of that time
ends as (
    select
        machine,
        epoch_us(started_at) as started_us,
        max(epoch_us(ended_at)) over (
            partition by machine order by started_at rows between unbounded preceding and 1 preceding
        ) as before_us,
    from core.cycle
),

covered as (
    select machine, first_cycle_us as started_us, null as before_us, last_cycle_us
    from core.record_extent
    where has_cycles
    union all
    select ends.machine, ends.started_us, ends.before_us, extent.last_cycle_us
    from ends
    inner join core.machine as machine using (machine)
    inner join core.record_extent as extent using (machine)
    where ends.started_us - ends.before_us > machine.no_data_after_h * 3600e6
),

laid as (
    select
        *,
        started_us + change_us + (coalesce(share, 0) * (ended_us - started_us - change_us))::bigint as noncut_until_us,
    from core.tool_segment
)

select
    machine,
    'record' as signal,
    started_us,
    coalesce(
        lead(before_us) over (partition by machine order by started_us, before_us nulls first), last_cycle_us
    ) as ended_us,
from covered
union all
select machine, 'cycle', epoch_us(started_at), epoch_us(ended_at) from core.cycle_seen where basis = 'derived'
union all
select machine, 'listed_change', started_us, started_us + change_us from laid where change_us > 0
union all
select machine, 'noncut', started_us + change_us, noncut_until_us from laid where noncut_until_us > started_us + change_us
union all
select machine, 'shared', started_us, ended_us from laid where share is not null
union all
select machine, signal, started_us, ended_us from availability where signal is not null and ended_us > started_us

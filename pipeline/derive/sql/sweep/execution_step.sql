-- When paths of machines without a cycle list begin and cease to execute something, each as a step of a number in whose
-- digits of ten bits stands how many paths do: READY, PROGRAM_COMPLETED, STOPPED, held, ACTIVE, lost.
with
listless as (
    select machine
    from core.stream_extent
    where machine not in (select machine from core.record_extent where has_cycles)
),

-- a loss that is said again while it lasts is one
away as (
    select
        *,
        started_us > max(ended_us) over (
            partition by machine order by started_us, ended_us rows between unbounded preceding and 1 preceding
        ) as is_new,
    from core.mode_stretch
    where item = 'Availability' and value = 'UNAVAILABLE'
),

away_islands as (
    select
        machine,
        started_us,
        ended_us,
        sum(coalesce(is_new, false)::int) over (
            partition by machine order by started_us, ended_us rows between unbounded preceding and current row
        ) as island,
    from away
),

-- after a loss the old Execution stands until it is said again, which may take a moment longer than Availability
gone as (
    select
        away_islands.machine,
        min(away_islands.started_us) as started_us,
        max(away_islands.ended_us) as ended_us,
        true as is_told,
        machine.silent_after_s * 1e6 as said_within_us,
    from away_islands
    inner join core.machine as machine using (machine)
    group by away_islands.machine, machine.silent_after_s, island
    having max(away_islands.ended_us) - min(away_islands.started_us) > machine.silent_after_s * 1e6
    union all
    select machine, started_us, ended_us, false, 1e6 from core.silence
),

lost as (
    select
        gone.machine,
        gone.started_us,
        if(said.started_us - gone.ended_us <= said_within_us, said.started_us, gone.ended_us) as ended_us,
    from gone
    inner join listless using (machine)
    asof left join core.execution as said on gone.machine = said.machine and gone.ended_us <= said.started_us
    where is_told or said.started_us - gone.ended_us <= said_within_us
),

deltas as (
    select machine, started_us as at_us, execution as doing, 1 as delta from core.execution
    inner join listless using (machine)
    union all
    select machine, ended_us + is_last::bigint, execution, -1 from core.execution -- what stands last stands at the end
    inner join listless using (machine)
    union all
    select machine, started_us, 'lost', 1 from lost
    union all
    select machine, ended_us, 'lost', -1 from lost
)

select
    (list_position(@machines, machine) - 1)::smallint as machine_number,
    at_us,
    delta * case doing
        when 'ACTIVE' then 1::bigint << 40
        when 'STOPPED' then 1::bigint << 20
        when 'PROGRAM_COMPLETED' then 1::bigint << 10
        when 'READY' then 1::bigint
        when 'lost' then 1::bigint << 50
        else 1::bigint << 30
    end as step,
from deltas
where
    doing in (
        'ACTIVE', 'STOPPED', 'PROGRAM_COMPLETED', 'READY', 'lost', 'FEED_HOLD', 'INTERRUPTED', 'WAIT', 'PROGRAM_STOPPED',
        'OPTIONAL_STOP', 'PROGRAM_OPTIONAL_STOP'
    )

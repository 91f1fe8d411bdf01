-- Everything an event stream says about a machine, as stretches of named signals that the time line adds up.
-- Signals: stream, active, hold, stop, ready, away, silent, fault, manual, turning, feeding, changing.
-- `may_overlap` where two stretches of one signal may: with several paths, spindles, modes or conditions.
-- Grain: machine x signal x stretch.
-- Renewed: in passing.
with
branching as (
    select
        machine,
        (select count(distinct path) from core.execution as told where told.machine = extent.machine) > 1 as has_paths,
        (select count(distinct path) from core.feed_stretch as told where told.machine = extent.machine) > 1 as has_feeds,
        (select count(distinct spindle) from core.spindle_stretch as told where told.machine = extent.machine) > 1
        as has_spindles,
    from core.stream_extent as extent
),

executing as (
    select
        machine,
        case
            when execution = 'ACTIVE' then 'active'
            when execution in ('PROGRAM_STOPPED', 'OPTIONAL_STOP', 'PROGRAM_OPTIONAL_STOP') then 'stop'
            when execution in ('FEED_HOLD', 'INTERRUPTED', 'WAIT') then 'hold'
            else 'ready'
        end as signal,
        started_us,
        ended_us,
    from core.execution
    where execution <> 'UNAVAILABLE' and ended_us > started_us
),

telling_modes as (
    select
        machine,
        case
            when item = 'Availability' and value = 'UNAVAILABLE' then 'away'
            when item = 'EmergencyStop' and value = 'TRIGGERED' then 'fault'
            when item = 'ControllerMode' and value in ('MANUAL', 'MANUAL_DATA_INPUT') then 'manual'
        end as signal,
        started_us,
        ended_us,
    from core.mode_stretch
),

changing as (
    -- only where no spindle speed tells that a tool change is not a cut
    select
        stretch.machine,
        'changing' as signal,
        stretch.started_us,
        least(stretch.changed_until_us, extent.last_us) as ended_us,
    from core.tool_stretch as stretch
    inner join core.stream_extent as extent using (machine)
    where not extent.has_speed
)

select machine, 'stream' as signal, first_us as started_us, last_us as ended_us, false as may_overlap
from core.stream_extent
union all
select machine, signal, started_us, ended_us, has_paths from executing inner join branching using (machine)
union all
select machine, signal, started_us, ended_us, true from telling_modes where signal is not null
union all
select machine, 'fault', started_us, ended_us, true from core.condition_fault where ended_us > started_us
union all
select machine, 'silent', started_us, ended_us, false from core.silence
union all
select machine, 'turning', started_us, ended_us, has_spindles
from core.spindle_stretch
inner join branching using (machine)
union all
select machine, 'feeding', started_us, ended_us, has_feeds
from core.feed_stretch
inner join branching using (machine)
where is_cutting_feed
union all
select machine, signal, started_us, ended_us, false from changing where ended_us > started_us

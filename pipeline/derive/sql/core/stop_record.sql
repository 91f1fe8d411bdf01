-- What a control told that a stop can begin with: Execution that is not ACTIVE, faults, the emergency stop.
-- Grain: machine x state x instant.
-- Renewed: by window.
with
told as (
    select
        machine,
        case
            when execution in (
                'FEED_HOLD', 'INTERRUPTED', 'WAIT', 'PROGRAM_STOPPED', 'OPTIONAL_STOP', 'PROGRAM_OPTIONAL_STOP'
            ) then 'held'
            else 'idle'
        end as state,
        started_us,
        file_id,
        row_number,
    from core.execution
    where execution not in ('ACTIVE', 'UNAVAILABLE')
    union all
    select machine, 'faulted', started_us, file_id, row_number from core.condition_fault
    union all
    select machine, 'faulted', started_us, file_id, row_number
    from core.mode_stretch
    where item = 'EmergencyStop' and value = 'TRIGGERED'
)

select
    machine,
    make_timestamptz(started_us) as started_at,
    state,
    min(file_id) as file_id,
    arg_min(row_number, (file_id, row_number)) as row_number,
from told
group by machine, started_us, state

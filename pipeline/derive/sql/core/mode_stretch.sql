-- What the control and the connection said of themselves, as stretches: ControllerMode, EmergencyStop, Availability.
-- Grain: machine x item x path x observation.
-- Renewed: in passing.
with
observed as (
    select
        event.machine,
        event.item,
        event.value,
        epoch_us(event.occurred_at) as started_us,
        lead(epoch_us(event.occurred_at), 1, extent.last_us) over (
            partition by event.machine, event.item, event.path
            order by event.occurred_at, event.file_id, event.row_number
        ) as ended_us,
        event.file_id,
        event.row_number,
    from core.event as event
    inner join core.stream_extent as extent using (machine)
    where event.item in ('ControllerMode', 'EmergencyStop', 'Availability')
)

select machine, item, value, started_us, ended_us, file_id, row_number
from observed
where ended_us > started_us

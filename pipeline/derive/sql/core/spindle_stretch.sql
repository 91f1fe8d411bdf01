-- Stretches during which a spindle turned: actual speed above zero, or the commanded one where no actual is told.
-- A spindle that its RotaryMode calls INDEX or CONTOUR is an axis at that time and does not count.
-- Grain: machine x spindle x change of speed or mode.
with
observed as (
    select
        event.machine,
        coalesce(event.path, event.data_item_id, event.item) as spindle,
        epoch_us(event.occurred_at) as started_us,
        event.file_id,
        event.row_number,
        extent.last_us,
        case when event.item <> 'RotaryMode' then coalesce(abs(try_cast(event.value as double)), 0) end as speed_rpm,
        case when event.item = 'RotaryMode' then event.value end as rotary_mode,
    from core.event as event
    inner join core.stream_extent as extent using (machine)
    where
        event.item = 'RotaryMode'
        or (
            event.item in ('RotaryVelocity', 'SpindleSpeed')
            and (coalesce(event.sub_type, 'ACTUAL') = 'ACTUAL' or not extent.has_actual_speed)
        )
),

filled as (
    select
        machine,
        spindle,
        started_us,
        lead(started_us, 1, last_us) over in_order as ended_us,
        last_value(speed_rpm ignore nulls) over in_order as speed_rpm,
        last_value(rotary_mode ignore nulls) over in_order as rotary_mode,
    from observed
    window in_order as (
        partition by machine, spindle
        order by started_us, file_id, row_number
        rows between unbounded preceding and current row
    )
)

select machine, spindle, started_us, ended_us, speed_rpm
from filled
where ended_us > started_us and speed_rpm > 0 and coalesce(rotary_mode, 'SPINDLE') not in ('INDEX', 'CONTOUR')

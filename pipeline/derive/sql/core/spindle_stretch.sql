-- Stretches during which a spindle turned: actual speed above zero, or the commanded one where no actual is told.
-- A spindle that its RotaryMode calls INDEX or CONTOUR is an axis at that time and does not count. A mode goes with the
-- spindles of its path; without a path, with the machine's only spindle.
-- Grain: machine x spindle x change of speed or mode.
with
speeds as (
    select
        event.machine,
        event.path,
        coalesce(event.data_item_id, event.path, event.item) as spindle,
        epoch_us(event.occurred_at) as started_us,
        event.file_id,
        event.row_number,
        extent.last_us,
        coalesce(abs(try_cast(event.value as double)), 0) as speed_rpm,
    from core.event as event
    inner join core.stream_extent as extent using (machine)
    where
        event.item in ('RotaryVelocity', 'SpindleSpeed')
        and (coalesce(event.sub_type, 'ACTUAL') = 'ACTUAL' or not extent.has_actual_speed)
),

modes as (
    select
        machine,
        path,
        coalesce(path, '') || '|' || coalesce(data_item_id, item) as mode_item,
        epoch_us(occurred_at) as started_us,
        file_id,
        row_number,
        value as rotary_mode,
    from core.event
    where item = 'RotaryMode'
),

counts as (
    select
        spindle_counts.machine,
        spindle_counts.spindles = 1 and mode_counts.mode_items = 1 as is_only_one,
    from (select machine, count(distinct spindle) as spindles from speeds group by machine) as spindle_counts
    inner join (select machine, count(distinct mode_item) as mode_items from modes group by machine) as mode_counts
        using (machine)
),

observed as (
    select machine, spindle, started_us, file_id, row_number, last_us, speed_rpm, null::varchar as rotary_mode
    from speeds
    union all
    select
        modes.machine, spindles.spindle, modes.started_us, modes.file_id, modes.row_number, spindles.last_us,
        null::double, modes.rotary_mode,
    from modes
    inner join counts using (machine)
    inner join (select distinct machine, path, spindle, last_us from speeds) as spindles
        on modes.machine = spindles.machine and (counts.is_only_one or modes.path = spindles.path)
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

-- Stretches during which a spindle turned: actual speed above zero, or the commanded one where no actual is told.
-- A spindle that its RotaryMode calls INDEX or CONTOUR is an axis at that time and does not count. A mode goes with the
-- spindles of its path; without a path, with the machine's only spindle. A change of speed does not end a stretch.
-- Grain: machine x spindle x stretch of turning.
-- Renewed: in passing.
with
speeds as not materialized (
    select
        event.machine,
        event.path,
        coalesce(event.data_item_id, event.path, event.item) as spindle,
        epoch_us(event.occurred_at) as at_us,
        event.file_id,
        event.row_number,
        coalesce(abs(try_cast(event.value as double)), 0) > 0 as is_moving,
        extent.has_mode,
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
        epoch_us(occurred_at) as at_us,
        file_id,
        row_number,
        (value in ('INDEX', 'CONTOUR'))::int as as_axis,
    from core.event
    where item = 'RotaryMode' and value is not null
),

spindles as (
    select distinct machine, path, spindle from speeds where has_mode
),

counts as (
    select
        spindle_counts.machine,
        spindle_counts.spindles = 1 and mode_counts.mode_items = 1 as is_only_one,
    from (select machine, count(distinct spindle) as spindles from spindles group by machine) as spindle_counts
    inner join (select machine, count(distinct mode_item) as mode_items from modes group by machine) as mode_counts
        using (machine)
),

spindle_modes as (
    select modes.machine, spindles.spindle, modes.at_us, modes.file_id, modes.row_number, modes.as_axis
    from modes
    inner join counts using (machine)
    inner join spindles
        on modes.machine = spindles.machine and (counts.is_only_one or modes.path = spindles.path)
),

mode_steps as (
    select
        *,
        as_axis - lag(as_axis, 1, 0) over (
            partition by machine, spindle order by at_us, file_id, row_number
        ) as step,
    from spindle_modes
    qualify step <> 0
),

observed as (
    select machine, spindle, at_us, file_id, row_number, is_moving, 0 as step
    from speeds
    where has_mode
    union all
    select machine, spindle, at_us, file_id, row_number, null, step from mode_steps
),

judged as (
    select
        machine,
        spindle,
        at_us,
        file_id,
        row_number,
        coalesce(last_value(is_moving ignore nulls) over upto, false) and sum(step) over upto = 0 as is_turning,
    from observed
    window upto as (
        partition by machine, spindle
        order by at_us, file_id, row_number
        rows between unbounded preceding and current row
    )
    union all
    -- most spindles are never anything else
    select machine, spindle, at_us, file_id, row_number, is_moving
    from speeds
    where not has_mode
),

changes as (
    select *
    from judged
    qualify is_turning is distinct from lag(is_turning) over (
        partition by machine, spindle order by at_us, file_id, row_number
    )
),

stretches as (
    select
        changes.machine,
        changes.spindle,
        changes.at_us as started_us,
        lead(changes.at_us, 1, extent.last_us) over (
            partition by changes.machine, changes.spindle order by changes.at_us, changes.file_id, changes.row_number
        ) as ended_us,
        changes.is_turning,
    from changes
    inner join core.stream_extent as extent using (machine)
)

select machine, spindle, started_us, ended_us
from stretches
where ended_us > started_us and is_turning

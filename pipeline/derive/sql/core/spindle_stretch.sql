-- Stretches during which a spindle turned: actual speed above zero, or the commanded one where no actual is told.
-- A spindle that its RotaryMode calls INDEX or CONTOUR is an axis at that time and does not count. A mode goes with the
-- spindles of its path; without a path, with the machine's only spindle. Where a path has several spindles, it goes with
-- the one whose item is called alike from the front (S2mode, S2speed), the rest by elimination; where names tell nothing,
-- the only mode of a path is that of all its spindles, and one of several is nobody's. A change of speed does not end a
-- stretch.
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
    select machine, if(has_actual_speed, actual_spindles, spindles) = 1 and spindle_modes = 1 as is_only_one
    from core.stream_extent
),

-- of all the machine's time, whatever of it is looked at here
path_spindles as (
    select machine, string_split(told, chr(31))[1] as path, string_split(told, chr(31))[2] as spindle
    from (
        select
            machine,
            unnest(string_split(if(has_actual_speed, actual_spindle_items, spindle_items), chr(30))) as told,
        from core.stream_extent
    )
),

path_modes as (
    select
        machine,
        string_split(told, chr(31))[1] as path,
        string_split(told, chr(31))[2] as name,
        string_split(told, chr(31))[1] || '|' || string_split(told, chr(31))[2] as mode_item,
    from (select machine, unnest(string_split(mode_items, chr(30))) as told from core.stream_extent)
),

-- how far the names of a mode and of a spindle of its path are alike from the front
alike as (
    select
        path_modes.machine,
        path_modes.path,
        path_modes.mode_item,
        path_spindles.spindle,
        len(
            list_filter(
                range(1, len(path_spindles.spindle) + 1),
                lambda length: left(path_modes.name, length) = left(path_spindles.spindle, length)
                and length <= len(path_modes.name)
            )
        ) as letters,
        count(*) over (partition by path_modes.machine, path_modes.mode_item) as spindles,
    from path_modes
    inner join path_spindles on path_modes.machine = path_spindles.machine and path_modes.path = path_spindles.path
),

nearest as (
    select *, count(*) over (partition by machine, mode_item) as tied
    from (from alike qualify letters = max(letters) over (partition by machine, mode_item))
),

-- those of whom no other mode of the path is surely the mode
unclaimed as (
    select nearest.*, count(*) over (partition by nearest.machine, nearest.mode_item) as left_over
    from nearest
    where
        tied > 1
        and letters > 0
        and not exists (
            from nearest as claimed
            where
                claimed.machine = nearest.machine
                and claimed.path = nearest.path
                and claimed.spindle = nearest.spindle
                and claimed.mode_item <> nearest.mode_item
                and claimed.tied = 1
                and claimed.spindles > 1
        )
),

mode_counts as (
    select machine, path, count(*) as modes from path_modes group by machine, path
),

pairs as (
    select machine, mode_item, spindle
    from alike
    where spindles = 1
    qualify letters = max(letters) over (partition by machine, path)
    union
    select machine, mode_item, spindle from nearest where tied = 1 and letters > 0
    union
    select machine, mode_item, spindle from unclaimed where left_over = 1
    union
    select alike.machine, alike.mode_item, alike.spindle
    from alike
    inner join mode_counts using (machine, path)
    where
        mode_counts.modes = 1
        and not exists (
            from nearest
            where
                nearest.machine = alike.machine
                and nearest.mode_item = alike.mode_item
                and nearest.tied = 1
                and nearest.letters > 0
        )
    union
    select counts.machine, modes.mode_item, spindles.spindle
    from counts
    inner join (select distinct machine, mode_item from modes) as modes using (machine)
    inner join spindles using (machine)
    where counts.is_only_one
),

spindle_modes as (
    select modes.machine, pairs.spindle, modes.at_us, modes.file_id, modes.row_number, modes.as_axis
    from modes
    inner join pairs using (machine, mode_item)
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

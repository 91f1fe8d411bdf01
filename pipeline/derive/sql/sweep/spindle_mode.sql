-- Which item tells the mode of which spindle: of a path's spindles the one that is called alike from the front, the rest by
-- elimination; where names tell nothing, the only mode of a path is that of all its spindles, and one of several is
-- nobody's. Without a path a mode goes with the machine's only spindle.
with
modes as (
    select distinct machine, coalesce(path, '') || '|' || coalesce(data_item_id, item) as mode_item
    from core.item_day
    where item = 'RotaryMode'
),

spindles as (
    select distinct machine, coalesce(data_item_id, path, item) as spindle
    from core.item_day
    inner join core.stream_extent as extent using (machine)
    where
        item in ('RotaryVelocity', 'SpindleSpeed')
        and (coalesce(sub_type, 'ACTUAL') = 'ACTUAL' or not extent.has_actual_speed)
        and extent.has_mode
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
    inner join modes using (machine)
    inner join spindles using (machine)
    where counts.is_only_one
)

select distinct machine, mode_item, spindle from pairs

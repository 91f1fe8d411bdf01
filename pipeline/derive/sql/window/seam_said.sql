-- What each item of a machine had said last before the day of a seam.
-- Grain: seam x item, as in core.item_day.
select seam.machine, seam.side, day.* exclude (machine, day_on, events, first_at, least, most, tells_completion)
from @room.core.item_day as day
inner join core.seam as seam on day.machine = seam.machine and day.day_on < seam.cut_at::date
qualify row_number() over (
    partition by
        seam.side, day.machine, day.item, day.data_item_id, day.sub_type, day.path, day.native_code, day.level,
        day.is_number
    order by day.day_on desc
) = 1

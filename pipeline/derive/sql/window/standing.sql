-- What each item of a machine had said last when the window at hand begins.
-- Grain: machine x item, as in core.item_day.
select day.*
from core.item_day as day
inner join core.window as bounds using (machine)
where day.last_at < bounds.read_from_at
qualify row_number() over (
    partition by
        day.machine, day.item, day.data_item_id, day.sub_type, day.path, day.native_code, day.level, day.is_number
    order by day.day_on desc
) = 1

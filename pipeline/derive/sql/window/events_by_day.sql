-- How much there is to derive of a machine on a day, in events: a listed cycle takes about as much as five.
-- Grain: machine x UTC day.
select machine, epoch_us(day_on::timestamptz) as at_us, sum(events)::bigint as events
from (
    select machine, day_on, events from core.item_day
    union all
    select machine, started_at::date, 5 * count(*) from @book.core.cycle group by all
    union all
    select machine, occurred_at::date, count(*) from @book.core.tool_change group by all
)
group by machine, day_on

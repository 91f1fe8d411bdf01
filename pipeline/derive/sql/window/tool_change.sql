-- The listed tool changes of the windows at hand, and the last ones before them.
-- Grain: tool change.
with
before_window as (
    select change.machine, max(change.occurred_at) as from_at
    from @book.core.tool_change as change
    inner join core.window as bounds using (machine)
    where change.occurred_at < bounds.read_from_at
    group by change.machine
)

select change.*
from @book.core.tool_change as change
inner join core.window as bounds using (machine)
left join before_window using (machine)
where
    change.occurred_at >= coalesce(before_window.from_at, bounds.read_from_at)
    and change.occurred_at < bounds.read_until_at

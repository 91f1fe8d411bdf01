-- The events of the windows at hand, ends of states among them, and what each item had said last before.
-- Grain: observation.
select
    event.machine, event.occurred_at, event.item, event.value, event.data_item_id, event.sub_type, event.path,
    event.level, event.native_code, event.text, event.occurrence, event.file_id, event.row_number, event.line,
from @book.core.event as event
inner join core.window as bounds using (machine)
where
    event.occurred_at >= bounds.read_from_at
    and event.occurred_at < bounds.read_until_at
    -- said again as plain values, so that blocks of other times need not be looked at
    and event.occurred_at >= '@from_at'::timestamptz
    and event.occurred_at < '@until_at'::timestamptz
union all by name
select state_end.*
from core.state_end as state_end
inner join core.window as bounds using (machine)
where state_end.occurred_at >= bounds.read_from_at and state_end.occurred_at < bounds.read_until_at
union all by name
select
    machine, last_at as occurred_at, item, value, data_item_id, sub_type, path, level, native_code, text, occurrence, file_id,
    row_number, line,
from core.standing

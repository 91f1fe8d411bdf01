-- What the feed override was set to, in thousandths of a per cent, in the order in which it was told.
select
    event.machine,
    epoch_us(event.occurred_at) as at_us,
    (try_cast(event.value as decimal(9, 3)) * 1000)::bigint as override,
from core.event as event
inner join core.stream_extent using (machine)
where
    event.item = 'PathFeedrateOverride'
    and coalesce(event.sub_type, 'PROGRAMMED') <> 'RAPID'
    and try_cast(event.value as decimal(9, 3)) is not null
order by event.machine, event.occurred_at, event.file_id, event.row_number

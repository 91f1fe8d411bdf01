-- Stretches during which a condition stood at FAULT. A fault with a code ends when the same code is reported again
-- at another level or a NORMAL without a code clears the item; UNAVAILABLE clears it too.
-- Grain: machine x condition item x fault.
-- Renewed: in passing.
with
reported as (
    select
        event.machine,
        coalesce(event.data_item_id, event.item) as condition,
        coalesce(event.native_code, '') as native_code,
        event.level,
        epoch_us(event.occurred_at) as started_us,
        event.file_id,
        event.row_number,
        extent.last_us,
    from core.event as event
    inner join core.stream_extent as extent using (machine)
    where event.level is not null
),

followed as (
    select
        *,
        lead(started_us) over (
            partition by machine, condition, native_code order by started_us, file_id, row_number
        ) as same_code_us,
        min(started_us) filter (level = 'UNAVAILABLE' or (level = 'NORMAL' and native_code = '')) over (
            partition by machine, condition
            order by started_us, file_id, row_number
            rows between 1 following and unbounded following
        ) as cleared_us,
    from reported
)

select
    machine,
    condition,
    native_code,
    started_us,
    least(coalesce(same_code_us, last_us), coalesce(cleared_us, last_us)) as ended_us,
    file_id,
    row_number,
from followed
where level = 'FAULT'

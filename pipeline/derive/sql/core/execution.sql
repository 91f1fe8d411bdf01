-- What a path of a control was executing, as stretches between its observations.
-- The last stretch ends with the stream. Zero-length stretches are superseded values, save the very last.
-- Grain: machine x path x observation of Execution.
-- Renewed: in passing.
with
observed as (
    select
        event.machine,
        coalesce(event.path, '') as path,
        event.value as execution,
        epoch_us(event.occurred_at) as started_us,
        event.file_id,
        event.row_number,
        extent.last_us,
    from core.event as event
    inner join core.stream_extent as extent using (machine)
    where event.item = 'Execution' and event.value is not null
),

followed as (
    select
        *,
        lead(started_us) over (partition by machine, path order by started_us, file_id, row_number) as next_us,
    from observed
)

select
    machine,
    path,
    execution,
    started_us,
    coalesce(next_us, last_us) as ended_us,
    next_us is null as is_last,
    file_id,
    row_number,
from followed
where next_us is null or next_us > started_us

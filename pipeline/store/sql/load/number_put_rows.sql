-- Counts rows of one identity inside the file, in row order, within a stretch of one machine's time.
-- Grain: accepted row of a repeated identity whose count changes
with keyed as (
    select rowid as put_id, row_number, @named_keys
    from core.@kind as stored
    where
        file_id = $file_id
        and machine = $machine
        and @near
        and epoch_us(stored.@first_time) between $first_us and $last_us
),
numbered as (
    select put_id, row_number() over (partition by @key_names order by row_number) - 1 as occurrence
    from keyed
)
update core.@kind
set occurrence = numbered.occurrence
from numbered
where core.@kind.rowid = numbered.put_id and core.@kind.occurrence <> numbered.occurrence

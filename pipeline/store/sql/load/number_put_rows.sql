-- Counts rows of one identity inside the file, in row order, within the times of a machine handed over as `chunk`.
-- Grain: accepted row of a repeated identity whose count changes
with keyed as (
    select rowid as put_id, row_number, @named_keys
    from core.@kind as stored
    where
        file_id = $file_id
        and @near
        and exists(
            select 1
            from chunk
            where
                chunk.machine = stored.machine
                and epoch_us(stored.@first_time) between chunk.first_us and chunk.last_us
        )
),
numbered as (
    select put_id, row_number() over (partition by @key_names order by row_number) - 1 as occurrence
    from keyed
)
update core.@kind
set occurrence = numbered.occurrence
from numbered
where core.@kind.rowid = numbered.put_id and core.@kind.occurrence <> numbered.occurrence

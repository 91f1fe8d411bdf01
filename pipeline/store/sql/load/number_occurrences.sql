-- Counts rows of one identity inside the file, in row order; most identities occur once and stay at 0.
-- Grain: staged row of a repeated identity whose count changes
with keyed as (
    select rowid as staged_id, row_number, @named_keys
    from staged_@kind
),
repeated as (
    select @key_names
    from keyed
    group by @key_names
    having count(*) > 1
),
numbered as (
    select
        keyed.staged_id,
        row_number() over (partition by @key_names order by keyed.row_number) - 1 as occurrence
    from keyed
    inner join repeated using (@key_names)
)
update staged_@kind
set occurrence = numbered.occurrence
from numbered
where staged_@kind.rowid = numbered.staged_id and staged_@kind.occurrence <> numbered.occurrence

-- Counts observations of one item at one instant by their numbers over all documents of the agent's instance. Where the
-- file gives such observations of several instances, without a number or twice, they stay counted in row order.
-- Grain: staged observation whose count changes
with own as (
    select
        staged.rowid as staged_id,
        staged.machine,
        coalesce(staged.data_item_id, staged.item) as data_item,
        staged.occurred_at,
        coalesce(staged.native_code, '') as code,
        said.instance,
        said.sequence
    from staged_event as staged
    left join staged_sequence as said on staged.row_number = said.row_number
),
told_apart as (
    select machine, data_item, occurred_at, code, min(instance) as instance
    from own
    group by machine, data_item, occurred_at, code
    having count(distinct sequence) = count(*) and count(distinct instance) = 1
),
on_record as (
    select distinct machine, data_item, occurred_at, code, instance, sequence
    from raw.sequence
    semi join told_apart using (machine, data_item, occurred_at, code, instance)
    where occurred_at between (select min(occurred_at) from own) and (select max(occurred_at) from own)
),
numbered as (
    select
        *,
        row_number() over (
            partition by machine, data_item, occurred_at, code, instance order by sequence
        ) - 1 as occurrence
    from on_record
),
settled as (
    select own.staged_id, numbered.occurrence
    from own
    inner join numbered using (machine, data_item, occurred_at, code, instance, sequence)
)
update staged_event
set occurrence = settled.occurrence
from settled
where staged_event.rowid = settled.staged_id and staged_event.occurrence <> settled.occurrence

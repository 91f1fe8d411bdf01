-- Ends of states after which nothing is known: no other state of the series begins then, nor lasts longer, in any file.
-- They say UNAVAILABLE, of a condition with a code NORMAL, and cite the row that says when its state ends. What stands at one
-- time on a path is one series, whatever a file calls its column.
-- Grain: machine x series x end; columns as an event's.
-- Renewed: first by machine.
with
ending as materialized (
    select distinct machine, item from core.event where ended_at is not null
),

said as (
    select
        event.*,
        coalesce(event.path, '') || '|' || coalesce(event.sub_type, '') || '|' || case
            when event.level is not null or event.item = 'Condition'
                then coalesce(event.data_item_id, '') || '|' || coalesce(event.native_code, '')
            when event.item in ('Execution', 'ControllerMode', 'EmergencyStop', 'Availability', 'Program') then ''
            else coalesce(event.data_item_id, '')
        end as series,
        epoch_us(event.occurred_at) as at_us,
        epoch_us(event.ended_at) as ended_us,
    from core.event as event
    inner join ending on event.machine = ending.machine and event.item = ending.item
),

begun as (
    select
        machine,
        item,
        series,
        at_us,
        bool_or(ended_us is null) as is_open,
        max({
            'ended_us': ended_us, 'within_us': coalesce(end_within_s, 0) * 1e6, 'file_id': file_id, 'row_number': row_number
        }) filter (ended_us is not null) as ending,
    from said
    group by machine, item, series, at_us
),

followed as (
    select
        machine,
        is_open,
        at_us,
        lead(at_us) over (partition by machine, item, series order by at_us) as next_us,
        max(ending) over (
            partition by machine, item, series order by at_us rows between unbounded preceding and current row
        ) as latest,
    from begun
)

select
    said.machine,
    make_timestamptz(followed.latest.ended_us) as occurred_at,
    said.item,
    if(said.level is null, 'UNAVAILABLE', said.value) as value,
    said.data_item_id,
    said.sub_type,
    said.path,
    case when said.level is null then null when said.native_code is null then 'UNAVAILABLE' else 'NORMAL' end as level,
    said.native_code,
    null::varchar as text,
    said.occurrence,
    said.file_id,
    said.row_number,
    said.line,
from followed
inner join said
    on followed.machine = said.machine
    and followed.latest.file_id = said.file_id
    and followed.latest.row_number = said.row_number
where
    not followed.is_open
    and followed.latest.ended_us > followed.at_us
    -- clocks are read to the second, lengths may be rounded
    and coalesce(followed.next_us > followed.latest.ended_us + 2000000 + followed.latest.within_us, true)

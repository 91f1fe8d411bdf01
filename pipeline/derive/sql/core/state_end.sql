-- Ends of states after which nothing is known: no other state of the series begins then, nor lasts longer, in any file.
-- They say UNAVAILABLE, of a condition with a code NORMAL, and cite the row that says when its state ends. What stands at one
-- time on a path is one series, whatever a file calls its column.
-- Grain: machine x series x end; columns as an event's.
-- Renewed: first by machine.
with
ending as materialized (
    select distinct machine, item from core.event where ended_at is not null
),

said as not materialized (
    select
        event.machine,
        event.item,
        coalesce(event.path, '') || '|' || coalesce(event.sub_type, '') || '|' || case
            when event.level is not null or event.item = 'Condition'
                then coalesce(event.data_item_id, '') || '|' || coalesce(event.native_code, '')
            when event.item in ('Execution', 'ControllerMode', 'EmergencyStop', 'Availability', 'Program') then ''
            else coalesce(event.data_item_id, '')
        end as series,
        epoch_us(event.occurred_at) as at_us,
        epoch_us(event.ended_at) as ended_us,
        coalesce(event.end_within_s, 0) * 1e6 as within_us,
        event.file_id,
        event.row_number,
    from core.event as event
    inner join ending on event.machine = ending.machine and event.item = ending.item
),

begun as (
    select machine, item, series, at_us, max(ended_us) as ended_us, bool_or(ended_us is null) as is_open
    from said
    group by machine, item, series, at_us
),

followed as (
    select
        *,
        lead(at_us) over (partition by machine, item, series order by at_us) as next_us,
        max(ended_us) over (
            partition by machine, item, series order by at_us rows between unbounded preceding and current row
        ) as latest_us,
    from begun
),

-- clocks are read to the second
apart as (
    select *
    from followed
    where not is_open and latest_us > at_us and coalesce(next_us > latest_us + 2000000, true)
),

-- lengths may be rounded
ended as (
    select apart.latest_us, said.file_id, said.row_number
    from said
    inner join apart
        on said.machine = apart.machine
        and said.item = apart.item
        and said.series = apart.series
        and said.ended_us = apart.latest_us
        and said.at_us <= apart.at_us
    qualify
        row_number() over (
            partition by apart.machine, apart.item, apart.series, apart.at_us
            order by said.within_us desc, said.file_id desc, said.row_number desc
        ) = 1
        and coalesce(apart.next_us > apart.latest_us + 2000000 + said.within_us, true)
)

select
    event.machine,
    make_timestamptz(ended.latest_us) as occurred_at,
    event.item,
    if(event.level is null, 'UNAVAILABLE', event.value) as value,
    event.data_item_id,
    event.sub_type,
    event.path,
    case when event.level is null then null when event.native_code is null then 'UNAVAILABLE' else 'NORMAL' end as level,
    event.native_code,
    null::varchar as text,
    event.occurrence,
    event.file_id,
    event.row_number,
    event.line,
from core.event as event
inner join ended on event.file_id = ended.file_id and event.row_number = ended.row_number

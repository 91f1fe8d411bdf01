-- Which tool was in the spindle when: from the tool-change list, or from ToolNumber where a machine has no list.
-- Tool 0 in a stream means a change under way; like a number that is UNAVAILABLE it is kept as an empty tool. A change
-- takes its own time until `changed_until_us`: tool_change_s from its beginning, or as long as the stream says tool 0.
-- A number that is told again, or for the first time, is no change. The last stretch is open-ended.
-- Grain: machine x tool change.
-- Renewed: in passing.
with
listed as (
    select machine, epoch_us(occurred_at) as started_us, tool as number, true as is_listed, file_id, row_number
    from core.tool_change
),

streamed as (
    select machine, epoch_us(occurred_at) as started_us, value as number, false as is_listed, file_id, row_number
    from core.event
    where
        item = 'ToolNumber'
        and value is not null
        and machine not in (select machine from core.record_extent where has_tool_changes)
),

followed as (
    select
        *,
        lead(started_us) over (partition by machine order by started_us, file_id, row_number) as ended_us,
    from (select * from listed union all select * from streamed)
),

preceded as (
    select
        *,
        lag(number) over (partition by machine order by started_us) as number_before,
    from followed
    where ended_us is null or ended_us > started_us
)

select
    preceded.machine,
    preceded.started_us,
    preceded.ended_us,
    case when preceded.is_listed or preceded.number not in ('0', 'UNAVAILABLE') then preceded.number end as tool,
    preceded.is_listed,
    case
        when not preceded.is_listed and preceded.number = '0' then coalesce(preceded.ended_us, 9223372036854775807)
        when
            preceded.is_listed
            or (
                preceded.number <> 'UNAVAILABLE'
                and preceded.number_before not in ('0', 'UNAVAILABLE')
                and preceded.number_before <> preceded.number
            )
            then least(
                coalesce(preceded.ended_us, 9223372036854775807),
                preceded.started_us + (coalesce(machine.tool_change_s, 0) * 1e6)::bigint
            )
        else preceded.started_us
    end as changed_until_us,
from preceded
inner join core.machine as machine using (machine)

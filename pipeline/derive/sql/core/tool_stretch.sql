-- Which tool was in the spindle when: from the tool-change list, or from ToolNumber where a machine has no list.
-- Tool 0 in a stream means a change under way; it is kept as an empty tool. The last stretch is open-ended.
-- Grain: machine x tool change.
with
listed as (
    select machine, epoch_us(occurred_at) as started_us, tool, true as is_listed, file_id, row_number
    from core.tool_change
),

streamed as (
    select
        machine,
        epoch_us(occurred_at) as started_us,
        case when value not in ('0', 'UNAVAILABLE') then value end as tool,
        false as is_listed,
        file_id,
        row_number,
    from core.event
    where item = 'ToolNumber' and value is not null and machine not in (select machine from core.tool_change)
),

followed as (
    select
        *,
        lead(started_us) over (partition by machine order by started_us, file_id, row_number) as ended_us,
    from (select * from listed union all select * from streamed)
)

select machine, started_us, ended_us, tool, is_listed
from followed
where ended_us is null or ended_us > started_us

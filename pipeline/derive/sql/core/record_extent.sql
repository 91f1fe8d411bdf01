-- What lists tell of a machine, and from when to when: cycles, tool changes, edge changes.
-- Grain: machine in any list.
-- Renewed: first.
with
listed as (
    select machine, started_at, ended_at, 'cycle' as kind from core.cycle
    union all
    select machine, occurred_at, occurred_at, 'tool_change' from core.tool_change
    union all
    select machine, occurred_at, occurred_at, 'edge_change' from core.edge_change
)

select
    machine,
    epoch_us(min(started_at) filter (kind = 'cycle')) as first_cycle_us,
    epoch_us(max(ended_at) filter (kind = 'cycle')) as last_cycle_us,
    count(*) filter (kind = 'cycle') > 0 as has_cycles,
    count(*) filter (kind = 'tool_change') > 0 as has_tool_changes,
    count(*) filter (kind = 'edge_change') > 0 as has_edge_changes,
from listed
group by machine

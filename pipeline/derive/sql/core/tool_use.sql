-- What every tool did in every run; the rows of a run add up to its length. A stretch in which the better source says
-- that the machine was not in cycle counts as unobserved.
-- Grain: run x tool (empty where no tool is known).
-- Renewed: by window.
with
pieces as not materialized (
    select *, ended_us - started_us as length_us from core.run_piece
),

-- what every run has, and apart what few pieces are: a sum costs most where there is little to add up
in_cycle as (
    select
        run_number,
        tool,
        coalesce(sum(length_us) filter (state = 'cutting'), 0) / 1e6 as cut_s,
        coalesce(sum(length_us) filter (state = 'noncutting' and not is_change), 0) / 1e6 as noncut_s,
        coalesce(sum(still_us) filter (state = 'noncutting' and not is_change), 0) / 1e6 as dwell_s,
        coalesce(sum(length_us) filter (state = 'noncutting' and is_change), 0) / 1e6 as tool_change_s,
        coalesce(sum(length_us) filter (state in ('cutting', 'noncutting') and planned), 0) / 1e6 as in_cycle_planned_s,
        sum(length_us) / 1e6 as total_s,
    from pieces
    group by run_number, tool
),

besides as (
    select
        run_number,
        tool,
        sum(length_us) filter (state = 'held' and detail = 'hold') / 1e6 as hold_s,
        sum(length_us) filter (state = 'held' and detail = 'stop') / 1e6 as stop_s,
        sum(length_us) filter (state = 'faulted') / 1e6 as fault_s,
        sum(length_us) filter (state in ('unobserved', 'idle', 'setup')) / 1e6 as unobserved_s,
        sum(length_us) filter (state = 'off_shift') / 1e6 as off_shift_s,
        sum((length_us * (1 - feed_override / 100))::bigint) filter (state = 'cutting') / 1e6 as override_s,
        sum(length_us) filter (state = 'noncutting' and not is_change and is_blocked) / 1e6 as blocked_s,
    from pieces
    where state not in ('cutting', 'noncutting') or feed_override <> 100 or is_blocked
    group by run_number, tool
)

select
    seen.run_id,
    seen.machine,
    seen.started_at,
    in_cycle.tool,
    in_cycle.cut_s,
    in_cycle.noncut_s,
    in_cycle.tool_change_s,
    coalesce(besides.hold_s, 0) as hold_s,
    coalesce(besides.stop_s, 0) as stop_s,
    coalesce(besides.fault_s, 0) as fault_s,
    coalesce(besides.unobserved_s, 0) as unobserved_s,
    coalesce(besides.off_shift_s, 0) as off_shift_s,
    coalesce(besides.override_s, 0) as override_s,
    coalesce(besides.blocked_s, 0) as blocked_s,
    in_cycle.dwell_s,
    in_cycle.in_cycle_planned_s,
    in_cycle.total_s,
from in_cycle
inner join core.cycle_seen as seen using (run_number)
left join besides on in_cycle.run_number = besides.run_number and in_cycle.tool is not distinct from besides.tool

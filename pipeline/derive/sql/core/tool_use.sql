-- What every tool did in every run; the rows of a run add up to its length. A stretch in which the better source says
-- that the machine was not in cycle counts as unobserved.
-- Grain: run x tool (empty where no tool is known).
-- Renewed: by window.
with
timed as (
    select *, ended_us - started_us as length_us from core.run_piece
),

used as (
    select
        run_id,
        machine,
        tool,
        coalesce(sum(length_us) filter (state = 'cutting'), 0) / 1e6 as cut_s,
        coalesce(sum(length_us) filter (state = 'noncutting' and not is_change), 0) / 1e6 as noncut_s,
        coalesce(sum(length_us) filter (state = 'noncutting' and is_change), 0) / 1e6 as tool_change_s,
        coalesce(sum(length_us) filter (state = 'held' and detail = 'hold'), 0) / 1e6 as hold_s,
        coalesce(sum(length_us) filter (state = 'held' and detail = 'stop'), 0) / 1e6 as stop_s,
        coalesce(sum(length_us) filter (state = 'faulted'), 0) / 1e6 as fault_s,
        coalesce(sum(length_us) filter (state in ('unobserved', 'idle', 'setup')), 0) / 1e6 as unobserved_s,
        coalesce(sum(length_us) filter (state = 'off_shift'), 0) / 1e6 as off_shift_s,
        coalesce(sum((length_us * (1 - feed_override / 100))::bigint) filter (state = 'cutting'), 0) / 1e6 as override_s,
        coalesce(sum(length_us) filter (state = 'noncutting' and not is_change and is_blocked), 0) / 1e6 as blocked_s,
        coalesce(sum(length_us) filter (state in ('cutting', 'noncutting') and planned), 0) / 1e6 as in_cycle_planned_s,
        sum(length_us) / 1e6 as total_s,
    from timed
    group by run_id, machine, tool
)

select used.run_id, used.machine, seen.started_at, used.* exclude (run_id, machine)
from used
inner join core.cycle_seen as seen using (run_id)

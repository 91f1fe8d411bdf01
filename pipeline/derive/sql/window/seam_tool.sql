-- What the tools did in the cycles that begin at the seams of the windows at hand: it tells the tool in the spindle.
-- Grain: seam x tool.
select seam.machine, seam.side, use.* exclude (machine)
from @room.core.tool_use as use
inner join @room.core.run as run using (run_id)
inner join core.seam as seam on run.machine = seam.machine and run.started_at = seam.cut_at

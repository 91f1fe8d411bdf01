-- What the tools did in the cycles that begin at the seams of the windows at hand: it tells the tool in the spindle.
-- Grain: seam x tool.
select seam.machine, seam.side, use.* exclude (machine)
from @room.core.tool_use as use
inner join core.seam as seam on use.machine = seam.machine and use.started_at = seam.cut_at
-- said again as plain values, so that blocks of other times need not be looked at
where use.started_at between '@first_at'::timestamptz and '@last_at'::timestamptz

-- The cycles that begin at the seams of the windows at hand. What follows a cycle is not looked at.
-- Grain: seam at which a cycle begins.
select seam.machine, seam.side, run.* exclude (machine, gap_s)
from @room.core.run as run
inner join core.seam as seam on run.machine = seam.machine and run.started_at = seam.cut_at
-- said again as plain values, so that blocks of other times need not be looked at
where run.started_at between '@first_at'::timestamptz and '@last_at'::timestamptz

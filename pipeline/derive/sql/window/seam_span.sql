-- The state that begins at each seam of the windows at hand.
-- Grain: seam at which a stretch of the time line begins.
select seam.machine, seam.side, span.state, span.planned, span.detail, span.feed_override, span.basis
from @room.core.span as span
inner join core.seam as seam on span.machine = seam.machine and span.started_at = seam.cut_at
-- said again as plain values, so that blocks of other times need not be looked at
where span.started_at between '@first_at'::timestamptz and '@last_at'::timestamptz

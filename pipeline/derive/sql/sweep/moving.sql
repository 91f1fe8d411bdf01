-- Where a path moves, of machines of which several paths may.
select machine, started_us, ended_us from core.feed_stretch where is_moving

-- Where a path stands still in a program, with no override at zero.
select machine, started_us, ended_us from core.feed_stretch where is_still

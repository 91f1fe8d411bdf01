-- Where an override at zero let nothing move.
select machine, started_us, ended_us from core.feed_stretch where is_blocked

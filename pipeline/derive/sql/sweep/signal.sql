-- All that is said of machines, as stretches of named signals; planned time and setting up are two more.
select machine, signal, started_us, ended_us, may_overlap from core.stream_signal
union all
select machine, signal, started_us, ended_us, true from core.record_signal
union all
select machine, 'shift', epoch_us(started_at), epoch_us(ended_at), true from core.shift
union all
select machine, 'setup', started_us, ended_us, true from core.setup_window

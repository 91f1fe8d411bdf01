-- The machines with a stream, and what is known of each.
select machine, extent.* exclude (machine), machine.silent_after_s, machine.rapid_mm_min
from core.stream_extent as extent
inner join core.machine as machine using (machine)
order by machine

-- Seams over which a cycle runs.
-- Grain: seam that is none.
select distinct seam.machine, seam.side
from core.run as run
inner join core.seam as seam on run.machine = seam.machine and run.started_at < seam.cut_at and run.ended_at > seam.cut_at

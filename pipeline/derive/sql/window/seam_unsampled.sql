-- Seams on whose UTC day a machine that tells samples on other days tells none: a pause between two samples that reaches
-- over the day is not wholly seen.
-- Grain: seam that is none.
with
sampled as (
    select distinct machine, day_on from core.gap_count
)

select seam.machine, seam.side
from core.seam as seam
anti join sampled on seam.machine = sampled.machine and seam.cut_at::date = sampled.day_on
where seam.machine in (select machine from sampled)

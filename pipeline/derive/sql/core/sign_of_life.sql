-- Whether a machine's stream tells by its samples that it lives: of a hundred pauses between them ninety-nine are short.
-- Where only a window of a machine's time is looked at, what all of its time said before holds.
-- Grain: machine x is_active.
-- Renewed: by machine.
select machine, is_active, sum(short_gaps) * 100 >= sum(gaps) * 99 as has_sign
from core.gap_count
where machine not in (select machine from core.sign_carried)
group by machine, is_active
union all
from core.sign_carried

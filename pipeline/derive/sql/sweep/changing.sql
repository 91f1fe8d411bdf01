-- Where a tool was changed, as far as the time line reaches.
select
    stretch.machine,
    stretch.started_us,
    least(stretch.changed_until_us, known.last_us) as ended_us,
from core.tool_stretch as stretch
inner join (select machine, max(epoch_us(ended_at)) as last_us from core.span group by machine) as known using (machine)
where least(stretch.changed_until_us, known.last_us) > stretch.started_us

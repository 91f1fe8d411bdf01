-- The longest stops inside planned time with the record behind each, narrowed to a month or a machine.
-- Grain: machine x local month x place.
select stop.*, file.name as file
from mart.longest_stop as stop
left join raw.source_file as file using (file_id)
where
    coalesce(stop.month = $month, true)
    and coalesce(stop.machine = $machine, true)
order by stop.machine, stop.month, stop.place

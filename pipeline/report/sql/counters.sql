-- The control's own counters beside the time line, with the rows of the readings at both ends of the run that differs most.
-- Grain: machine x local month x counter x counting item.
select counter_check.*, first_file.name as file, last_file.name as last_file
from mart.counter_check as counter_check
left join raw.source_file as first_file using (file_id)
left join raw.source_file as last_file on counter_check.last_file_id = last_file.file_id
where
    coalesce(counter_check.month = $month, true)
    and coalesce(counter_check.machine = $machine, true)
order by machine, month, counter, timer

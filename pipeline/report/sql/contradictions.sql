-- How long which files contradict each other, with an example row of each.
-- Grain: machine x local month x kind x file x other file.
select contradiction.*, source.name as file, other.name as other_file
from mart.contradiction_file as contradiction
left join raw.source_file as source using (file_id)
left join raw.source_file as other on contradiction.other_file_id = other.file_id
where
    coalesce(contradiction.month = $month, true)
    and coalesce(contradiction.machine = $machine, true)
order by machine, month, minutes desc, kind, file, other_file, file_id, other_file_id

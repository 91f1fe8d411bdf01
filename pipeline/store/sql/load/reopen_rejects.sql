-- Rejects of a file that stands (again) are open.
-- Grain: reject
update raw.reject set taken_up_by = null where file_id = $file_id and taken_up_by is not null

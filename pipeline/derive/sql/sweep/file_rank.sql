-- The order of files where observations of several fall on one instant.
select hash(file_id) as file_hash, row_number() over (order by file_id) as rank from raw.source_file

-- Contested facts that the file at hand holds now, and from which other files rows came or went.
-- Grain: one row
with moved as (
    select file_id from settled where file_id <> old_file_id
    union
    select old_file_id from settled where file_id <> old_file_id
)
select
    (select count(*) from settled where file_id = $file_id) as own,
    (select list(file_id) from moved where file_id <> $file_id) as others

-- The numbers of the observations that the file at hand gives.
-- Grain: numbered observation
insert into raw.sequence by name
select
    staged.file_id,
    staged.machine,
    coalesce(staged.data_item_id, staged.item) as data_item,
    staged.occurred_at,
    coalesce(staged.native_code, '') as code,
    said.instance,
    said.sequence
from staged_event as staged
inner join staged_sequence as said on staged.row_number = said.row_number

-- The numbers of the file at hand as it was read before.
-- Grain: numbered observation
create or replace temp table sequence_before as
select machine, data_item, occurred_at, code, instance, sequence
from raw.sequence
where file_id = $file_id

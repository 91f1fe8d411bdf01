-- How many files there are of which it is not known what their rows are, and from when to when those reach.
-- Grain: one row
select
    count(*) as files,
    epoch_us(min(first_record_at)) as first_us,
    epoch_us(max(last_record_at)) as last_us
from raw.source_file
where not is_extent_known

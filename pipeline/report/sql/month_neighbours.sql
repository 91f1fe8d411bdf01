-- The files of a machine's last record before a stretch and of its first one after it: they decide how its ends read.
-- Grain: source file.
with
records as (
    select file_id, started_at as first_at, ended_at as last_at from core.cycle where machine = $machine
    union all
    select file_id, occurred_at, occurred_at from core.tool_change where machine = $machine
    union all
    select file_id, occurred_at, occurred_at from core.event where machine = $machine
),

nearest as (
    select unnest([
        arg_max(file_id, last_at) filter (last_at <= $started_at),
        arg_min(file_id, first_at) filter (first_at >= $ended_at)
    ]) as file_id
    from records
)

select source.file_id, source.name, source.ingested_at
from nearest
inner join raw.source_file as source on nearest.file_id = source.file_id
order by source.ingested_at

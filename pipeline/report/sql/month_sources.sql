-- Which files speak of each machine between two instants: rows that hold, versions that another file overruled or
-- filled in, and the estimates and orders of what ran.
-- Grain: machine x source file x kind.
with
ran as (
    select distinct machine, program, job
    from core.run
    where started_at < $ended_at and ended_at > $started_at
),

estimates as (
    select ran.machine, estimate.file_id, estimate.row_number
    from core.estimate as estimate
    inner join ran on estimate.program = ran.program
    where coalesce(estimate.machine = ran.machine, true)
    union
    select ran.machine, estimate.file_id, estimate.row_number
    from core.estimate as estimate
    inner join ran on estimate.job = ran.job
    where coalesce(estimate.machine = ran.machine, true)
),

overruled as (
    select
        row_json ->> '$.machine' as machine,
        file_id,
        kind,
        coalesce(row_json ->> '$.started_at', row_json ->> '$.occurred_at')::timestamptz as noted_at,
    from raw.superseded
    where kind in ('cycle', 'tool_change', 'event')
),

said as (
    select machine, file_id, 'cycle' as kind
    from core.cycle
    where started_at < $ended_at and ended_at > $started_at
    union all
    select machine, file_id, 'tool_change' as kind
    from core.tool_change
    where occurred_at >= $started_at and occurred_at < $ended_at
    union all
    select machine, file_id, 'event' as kind
    from core.event
    where occurred_at >= $started_at and occurred_at < $ended_at
    union all
    select machine, file_id, kind
    from overruled
    where noted_at >= $started_at and noted_at < $ended_at
    union all
    select machine, file_id, 'estimate' as kind
    from estimates
    union all
    select distinct ran.machine, job.file_id, 'job' as kind
    from core.job as job
    inner join ran on job.job = ran.job
)

select
    said.machine,
    said.file_id,
    said.kind,
    count(*) as rows,
    any_value(source.name) as name,
    any_value(source.reading_fingerprint) as reading_fingerprint,
    any_value(source.ingested_at) as ingested_at,
from said
inner join raw.source_file as source on said.file_id = source.file_id
group by said.machine, said.file_id, said.kind
order by said.machine, name, said.kind, said.file_id

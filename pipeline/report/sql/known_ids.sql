-- Programs, jobs and machines that the book knows: columns of an unknown table are told by them.
-- Grain: kind of id x id
select 'program' as kind, unnest(programs) as id from raw.source_extent
union
select 'job', unnest(jobs) from raw.source_extent
union
select 'machine', machine from raw.source_extent where machine is not null
order by kind, id

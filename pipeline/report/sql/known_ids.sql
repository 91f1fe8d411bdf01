-- Programs, jobs and machines that the book knows, and how files of a head are surely read: by them columns are told.
-- Grain: kind of id x id
select 'program' as kind, unnest(programs) as id from raw.source_extent
union
select 'job', unnest(jobs) from raw.source_extent
union
select 'machine', machine from raw.source_extent where machine is not null
union
select 'head', told from raw.source_file where status = 'loaded' and told is not null
order by kind, id

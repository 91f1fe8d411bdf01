-- Programs and jobs that the book knows: columns of an unknown table are told by them.
-- Grain: kind of id x id
select 'program' as kind, unnest(programs) as id from raw.source_extent
union
select 'job', unnest(jobs) from raw.source_extent
order by kind, id

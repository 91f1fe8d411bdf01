-- Programs and jobs that the book knows: columns of an unknown table are told by them.
-- Grain: kind of id x id
select 'program' as kind, program as id from core.cycle
union
select 'program', program from core.estimate where program is not null
union
select 'program', program from core.tool_change where program is not null
union
select 'job', job from core.job
union
select 'job', job from core.estimate where job is not null
union
select 'job', job from core.cycle where job is not null
order by kind, id

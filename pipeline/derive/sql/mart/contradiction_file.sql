-- How long which files contradict each other, and how: core.contradiction added up. On days on which a list's starts
-- keep one distance from the control's, the kind is `clock of the list wrong` and offset_s says by how much.
-- Cycles that the control ran after the last listed one contradict nothing: that list ends there.
-- Grain: machine x local month x kind x file x other file.
-- Renewed: whole.
with
last_listed as (
    select machine, max(started_at) as last_at from core.cycle group by machine
),

told as (
    select
        contradiction.* exclude (kind),
        if(
            clock.offset_s is not null and contradiction.kind <> 'listed cycles overlap',
            'clock of the list wrong',
            contradiction.kind
        ) as kind,
        if(contradiction.kind <> 'listed cycles overlap', clock.offset_s, null) as offset_s,
        strftime(contradiction.day, '%Y-%m') as month,
    from core.contradiction as contradiction
    inner join last_listed using (machine)
    left join core.clock_offset as clock
        on contradiction.machine = clock.machine and contradiction.started_at::date = clock.day_on
    where contradiction.kind <> 'control in cycle, none listed' or contradiction.started_at < last_listed.last_at
)

select
    machine,
    month,
    kind,
    sum(seconds) / 60 as minutes,
    count(distinct run_id) as cycles,
    median(offset_s) as offset_s,
    min(started_at) as first_at,
    max(started_at) as last_at,
    file_id,
    arg_min(row_number, started_at) as row_number,
    other_file_id,
    arg_min(other_row_number, started_at) as other_row_number,
from told
group by machine, month, kind, file_id, other_file_id
order by machine, month, minutes desc, kind, file_id, other_file_id

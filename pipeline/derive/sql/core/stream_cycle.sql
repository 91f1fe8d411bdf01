-- Cycles of machines without a cycle list, from Execution, Program and PartCount.
-- A cycle starts when the control goes ACTIVE and ends when it is READY, STOPPED or PROGRAM_COMPLETED; holds and
-- program stops lie inside it, and so does a lost connection no longer than silent_after_s with the cycle going on
-- after it. A longer loss ends the cycle where it begins, be it that Availability went (a power cut), or that the stream
-- fell silent and began again with what the control executes by then; a silence alone is a wait inside the cycle.
-- Running in MANUAL or MANUAL_DATA_INPUT is no cycle. A part counted in the middle of a stretch ends one
-- cycle and starts the next, if the stretch after it is at least half as long as the one before.
-- PROGRAM_COMPLETED makes a cycle complete; on a control that says so, one that ended STOPPED is aborted even where its
-- counter went on. On others a counted part makes it complete, and READY where no parts are counted.
-- Grain: cycle, with the first and last event row that it rests on.
-- Renewed: by window.
with
listless as (
    select machine
    from core.stream_extent
    where machine not in (select machine from core.record_extent where has_cycles)
),

part_counts as (
    select
        event.machine,
        epoch_us(event.occurred_at) as at_us,
        event.file_id,
        event.row_number,
        -- as a decimal: a number that no counter reaches is none, and cannot overflow a sum
        try_cast(event.value as decimal(18, 6))::double
        - lag(try_cast(event.value as decimal(18, 6))::double) over (
            partition by event.machine order by event.occurred_at, event.file_id, event.row_number
        ) as added,
    from core.event as event
    inner join listless using (machine)
    inner join core.stream_extent as extent using (machine)
    where
        event.item = 'PartCount'
        -- good parts count only where nobody counts all of them: two counters in one row would count each other
        and (
            coalesce(event.sub_type, 'ALL') = 'ALL'
            or (event.sub_type = 'GOOD' and not extent.counts_all_parts)
        )
        and try_cast(event.value as decimal(18, 6)) is not null
),

parts_made as (
    select * from part_counts where added > 0
),

first_counts as (
    select machine, min(at_us) as first_count_us from part_counts group by machine
),

boundaries as (
    select stretches.machine, stretches.number, stretches.started_us, stretches.ended_us, stretches.ended_by,
        stretches.started_us as at_us
    from core.cycle_stretch as stretches
    union all
    select stretches.machine, stretches.number, stretches.started_us, stretches.ended_us, stretches.ended_by,
        counted.at_us
    from (select distinct machine, at_us from parts_made) as counted -- a counter may be told twice in one instant
    asof inner join core.cycle_stretch as stretches
        on counted.machine = stretches.machine and counted.at_us > stretches.started_us
    where counted.at_us < stretches.ended_us
),

measured as (
    select
        *,
        at_us - lag(at_us) over (partition by machine, number order by at_us) as before_us,
        lead(at_us, 1, ended_us) over (partition by machine, number order by at_us) - at_us as after_us,
    from boundaries
),

cycles as (
    select
        machine,
        at_us as started_us,
        lead(at_us, 1, ended_us) over (partition by machine, number order by at_us) as ended_us,
        case
            when lead(at_us) over (partition by machine, number order by at_us) is not null then 'counted'
            else ended_by
        end as ended_by,
    from measured
    where at_us = started_us or (after_us >= 10e6 and after_us * 2 >= before_us)
),

modes as (
    select machine, value as mode, started_us from core.mode_stretch where item = 'ControllerMode'
),

in_program as (
    select cycles.*, row_number() over (partition by cycles.machine order by cycles.started_us) as number
    from cycles
    asof left join modes on cycles.machine = modes.machine and cycles.started_us >= modes.started_us
    where coalesce(modes.mode, 'AUTOMATIC') not in ('MANUAL', 'MANUAL_DATA_INPUT')
),

program_stretches as (
    select
        event.machine,
        event.value as program,
        epoch_us(event.occurred_at) as started_us,
        lead(epoch_us(event.occurred_at), 1, extent.last_us + 1) over (
            partition by event.machine, event.path order by event.occurred_at, event.file_id, event.row_number
        ) as ended_us,
    from core.event as event
    inner join core.stream_extent as extent using (machine)
    inner join listless using (machine)
    where event.item = 'Program'
),

cycle_hours as (
    select *, unnest(range(started_us // 3600000000, (ended_us - 1) // 3600000000 + 1)) as hour
    from in_program
    where ended_us > started_us
),

program_hours as (
    select *, unnest(range(started_us // 3600000000, (ended_us - 1) // 3600000000 + 1)) as hour
    from program_stretches
    where
        program is not null
        and program <> 'UNAVAILABLE'
        and ended_us > started_us -- else told over at once
),

programs as (
    select
        in_program.machine,
        in_program.number,
        program_stretches.program,
        sum(
            least(in_program.ended_us, program_stretches.ended_us)
            - greatest(in_program.started_us, program_stretches.started_us)
        ) as overlap_us,
    from cycle_hours as in_program
    inner join program_hours as program_stretches
        on in_program.machine = program_stretches.machine
        and in_program.hour = program_stretches.hour
        and program_stretches.started_us < in_program.ended_us
        and program_stretches.ended_us > in_program.started_us
    -- a pair that meets in several hours counts in the hour in which it begins to
    where greatest(in_program.started_us, program_stretches.started_us) // 3600000000 = in_program.hour
    group by in_program.machine, in_program.number, program_stretches.program
),

main_programs as (
    select machine, number, program from programs
    qualify row_number() over (partition by machine, number order by overlap_us desc, program) = 1
),

-- a part counted between the end of a cycle and the start of the next belongs to the cycle
part_sums as (
    select windows.machine, windows.number, sum(parts_made.added)::bigint as parts
    from parts_made
    asof inner join in_program as windows
        on parts_made.machine = windows.machine and parts_made.at_us > windows.started_us
    group by windows.machine, windows.number
),

markers as (
    select machine, started_us as at_us, file_id, row_number from core.execution
    union all
    select machine, at_us, file_id, row_number from parts_made
),

marked as (
    select machine, at_us, min(file_id) as file_id, arg_min(row_number, file_id) as row_number
    from markers
    group by machine, at_us
),

told as (
    -- before the first reading of its counter nobody knows how many parts a cycle made
    select
        windows.*,
        coalesce(
            part_sums.parts, case when extent.counts_parts and first_counts.first_count_us <= windows.started_us then 0 end
        ) as parts,
        extent.tells_completion,
    from in_program as windows
    inner join core.stream_extent as extent using (machine)
    left join first_counts using (machine)
    left join part_sums using (machine, number)
)

select
    told.machine,
    coalesce(main_programs.program, 'not told') as program,
    make_timestamptz(told.started_us) as started_at,
    make_timestamptz(told.ended_us) as ended_at,
    told.parts,
    case
        when told.ended_by in ('counted', 'completed') then 'complete'
        when told.ended_by = 'stopped' and told.tells_completion then 'aborted'
        when told.parts > 0 then 'complete'
        when told.ended_by = 'ready' then if(told.parts = 0, 'aborted', 'complete')
        when told.ended_by = 'stopped' then 'aborted'
        else 'unknown'
    end as outcome,
    first_row.file_id,
    first_row.row_number,
    coalesce(last_row.file_id, first_row.file_id) as last_file_id,
    coalesce(last_row.row_number, first_row.row_number) as last_row_number,
from told
left join main_programs using (machine, number)
left join marked as first_row on told.machine = first_row.machine and told.started_us = first_row.at_us
asof left join marked as last_row on told.machine = last_row.machine and told.ended_us >= last_row.at_us
where told.ended_us > told.started_us

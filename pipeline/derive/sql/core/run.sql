-- Every cycle with the job it belongs to, its batch, its estimate and what it really took. Time that counts as
-- off_shift (a hold left standing overnight) is no part of actual_s. in_cycle_s is cutting and in cycle without holds and
-- faults; in_cycle_planned_s the part of it that lies in planned time. ideal_s is what the parts made should have taken:
-- the estimate, and for a cycle that was broken off its share by the parts that it made, scrap included. `stops` are the holds and program stops in it;
-- `gap_s` is the in-shift time from its end to the next run of its batch, empty where there is none.
-- Grain: cycle.
-- Renewed: by window.
with
used as (
    select
        run_id,
        sum(off_shift_s) as off_shift_s,
        -- decimal sums do not depend on the order in which rows arrive
        sum((cut_s + noncut_s + tool_change_s)::decimal(18, 6))::double as in_cycle_s,
        sum(in_cycle_planned_s::decimal(18, 6))::double as in_cycle_planned_s,
    from core.tool_use
    group by run_id
),

-- a stop that the calendar or a tool change cuts in two is one
stops as (
    select run_number, count(*) as stops
    from (
        select
            run_number,
            started_us is distinct from lag(ended_us) over by_time or detail is distinct from lag(detail) over by_time as is_new,
        from core.run_piece
        where state = 'held'
        window by_time as (partition by run_number order by started_us)
    )
    where is_new
    group by run_number
),

placed as (
    select
        seen.*,
        batch.batch_id,
        lead(seen.started_at) over (
            partition by seen.machine, batch.batch_id order by seen.started_at, seen.run_id
        ) as next_started_at,
    from core.cycle_seen as seen
    inner join core.batch_seen as batch using (run_id, machine)
),

gap_days as (
    select
        run_id, machine, ended_at, next_started_at,
        unnest(generate_series(ended_at::date, next_started_at::date, interval 1 day))::date as day_on,
    from placed
    where next_started_at > ended_at
),

shift_days as (
    select
        machine, started_at, ended_at,
        unnest(generate_series(started_at::date, ended_at::date, interval 1 day))::date as day_on,
    from core.shift
),

-- a shift and a gap that meet on several days count on the day on which they begin to
gaps as (
    select
        gap.run_id,
        sum(
            epoch_us(least(gap.next_started_at, shift.ended_at)) - epoch_us(greatest(gap.ended_at, shift.started_at))
        ) / 1e6 as gap_s,
    from gap_days as gap
    inner join shift_days as shift
        on gap.machine = shift.machine
        and gap.day_on = shift.day_on
        and shift.started_at < gap.next_started_at
        and shift.ended_at > gap.ended_at
        and greatest(gap.ended_at, shift.started_at)::date = gap.day_on
    group by gap.run_id
)

select
    placed.run_id,
    placed.machine,
    placed.program,
    placed.started_at,
    placed.ended_at,
    placed.outcome,
    placed.parts,
    placed.scrap,
    placed.scrap_told,
    placed.made,
    placed.job,
    placed.part,
    placed.material,
    placed.operation,
    coalesce(placed.operation_kind, machine.kind) as operation_kind,
    placed.revision,
    placed.job_key,
    placed.batch_id,
    placed.estimate_id,
    placed.estimate_s,
    placed.estimate_from,
    placed.estimate_s * if(placed.outcome = 'complete', 1, placed.made / placed.parts_per_cycle) as ideal_s,
    (epoch_us(placed.ended_at) - epoch_us(placed.started_at)) / 1e6 - coalesce(used.off_shift_s, 0) as actual_s,
    coalesce(used.in_cycle_s, 0) as in_cycle_s,
    coalesce(used.in_cycle_planned_s, 0) as in_cycle_planned_s,
    coalesce(stops.stops, 0) as stops,
    gaps.gap_s,
    placed.basis,
    placed.file_id,
    placed.row_number,
    placed.last_file_id,
    placed.last_row_number,
from placed
inner join core.machine as machine using (machine)
left join used using (run_id)
left join stops using (run_number)
left join gaps using (run_id)
order by placed.machine, placed.started_at, placed.run_id

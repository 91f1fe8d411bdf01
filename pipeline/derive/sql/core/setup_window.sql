-- In-shift time that counts as setting up: after the last cycle of one job and operation and before the first complete
-- cycle of the next, the last setup_max_s of it. Earlier time is idle.
-- Grain: machine x stretch of a shift x change of job.
-- Renewed: in passing.
with
groups as (
    select
        seen.machine,
        batch.job_group,
        max(epoch_us(seen.ended_at)) as ended_us,
        min(epoch_us(seen.started_at)) filter (seen.outcome = 'complete') as first_complete_us,
        arg_min(batch.batch_id, seen.started_at) filter (seen.outcome = 'complete') as batch_id,
    from core.cycle_seen as seen
    inner join core.batch_seen as batch using (run_id, machine)
    group by seen.machine, batch.job_group
),

changeovers as (
    select
        machine,
        batch_id,
        lag(ended_us) over (partition by machine order by job_group) as from_us,
        first_complete_us as to_us,
    from groups
),

in_shift as (
    select
        changeovers.machine,
        changeovers.batch_id,
        changeovers.to_us,
        greatest(changeovers.from_us, epoch_us(shift.started_at)) as started_us,
        least(changeovers.to_us, epoch_us(shift.ended_at)) as ended_us,
    from changeovers
    inner join core.shift as shift
        on changeovers.machine = shift.machine
        and epoch_us(shift.started_at) < changeovers.to_us
        and epoch_us(shift.ended_at) > changeovers.from_us
    where changeovers.to_us > changeovers.from_us
),

counted_back as (
    select
        *,
        coalesce(
            sum(ended_us - started_us) over (
                partition by machine, to_us
                order by started_us desc
                rows between unbounded preceding and 1 preceding
            )::bigint,
            0
        ) as later_us,
    from in_shift
)

select
    machine,
    batch_id,
    to_us,
    greatest(started_us, ended_us - ((machine.setup_max_s * 1e6)::bigint - later_us))::bigint as started_us,
    ended_us,
from counted_back
inner join core.machine as machine using (machine)
where later_us < machine.setup_max_s * 1e6

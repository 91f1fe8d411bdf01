-- Stretches without any record longer than silent_after_s, where the stream has a sign of life: samples or counters
-- whose 99th-percentile gap is under a third of silent_after_s, which is so where 99 of 100 gaps are. The sign of life is
-- asked for separately while the control is ACTIVE and while it is not: counters that tick only in a cycle say nothing
-- about the pause after it. A pause longer than no_data_after_h is a silence whatever the stream tells otherwise.
-- Grain: machine x silent stretch, from the last record before it to the first after it.
-- Renewed: in passing.
with
steps as (
    select machine, started_us as at_us, 1 as step from core.execution where execution = 'ACTIVE'
    union all
    select machine, ended_us, -1 from core.execution where execution = 'ACTIVE'
    -- a machine is not ACTIVE before it is first told to be
    union all
    select machine, first_us, 0 from core.stream_extent
),

active as (
    select machine, at_us, sum(step) over upto > 0 as is_active
    from steps
    window upto as (partition by machine order by at_us rows between unbounded preceding and current row)
    qualify lead(at_us) over upto is distinct from at_us
)

select gaps.machine, gaps.started_us, gaps.ended_us, active.is_active
from core.pause as gaps
inner join core.machine as machine using (machine)
asof inner join active on gaps.machine = active.machine and gaps.started_us >= active.at_us
left join core.sign_of_life as sign
    on gaps.machine = sign.machine and active.is_active = sign.is_active
where
    coalesce(sign.has_sign, false)
    or gaps.ended_us - gaps.started_us > machine.no_data_after_h * 3600e6

-- Where each machine's time went, by local day, ISO week and month: the eight states, in all and inside planned time,
-- time in cycle outside shifts, and the ISO 22400-2 indicators that they support. Time of a week or a month before the
-- first and after the last record is unobserved; where a machine was not seen for more than a year (a clock that once
-- said 2000), the periods between are not listed.
-- Grain: machine x kind of period x period.
-- Renewed: whole.
with
days as (
    select
        day,
        week,
        month,
        epoch_us(started_at) as day_start_us,
        epoch_us(ended_at) as day_end_us,
        unnest(range(epoch_us(started_at) // 86400000000, (epoch_us(ended_at) - 1) // 86400000000 + 1)) as utc_day,
    from core.local_day
),

states as (
    select
        machine,
        day,
        sum(length_us) filter (state = 'cutting') as cutting,
        sum(length_us) filter (state = 'noncutting') as noncutting,
        sum(length_us) filter (state = 'held') as held,
        sum(length_us) filter (state = 'faulted') as faulted,
        sum(length_us) filter (state = 'setup') as setup,
        sum(length_us) filter (state = 'idle') as idle,
        sum(length_us) filter (state = 'off_shift') as off_shift,
        sum(length_us) filter (state = 'cutting' and planned) as cutting_planned,
        sum(length_us) filter (state = 'noncutting' and planned) as noncutting_planned,
        sum(length_us) filter (state = 'held' and planned) as held_planned,
        sum(length_us) filter (state = 'faulted' and planned) as faulted_planned,
        sum(length_us) filter (state = 'setup' and planned) as setup_planned,
        sum(length_us) filter (state = 'idle' and planned) as idle_planned,
        sum(length_us) filter (state = 'off_shift' and planned) as off_shift_planned,
        sum(length_us) filter (planned and state <> 'unobserved') as observed_planned,
        sum(length_us) filter (state in ('cutting', 'noncutting') and not planned and is_overtime) as overtime,
        sum(length_us) filter (state in ('cutting', 'noncutting') and not planned and not is_overtime) as lights_out,
        sum(length_us) filter (state in ('cutting', 'noncutting') and basis = 'estimated') as estimated,
        sum(length_us) filter (state in ('cutting', 'noncutting') and basis = 'derived') as derived,
        bool_and(basis = 'measured') as is_measured,
        bool_or(state <> 'unobserved') as is_observed,
    from core.day_state
    group by machine, day
),

shift_pieces as (
    select distinct
        shift.machine,
        days.day,
        greatest(epoch_us(shift.started_at), days.day_start_us) as started_us,
        least(epoch_us(shift.ended_at), days.day_end_us) as ended_us,
    from (
        select
            *,
            unnest(range(epoch_us(started_at) // 86400000000, (epoch_us(ended_at) - 1) // 86400000000 + 1)) as utc_day,
        from core.shift
    ) as shift
    inner join days using (utc_day)
    where epoch_us(shift.started_at) < days.day_end_us and epoch_us(shift.ended_at) > days.day_start_us
),

plans as (
    select machine, day, sum(ended_us - started_us) as planned from shift_pieces group by machine, day
),

-- where no list of a machine ever told scrap, nobody knows how many parts were good
telling as (
    select machine, bool_or(scrap_told) as tells_scrap from core.day_run group by machine
),

-- the days on which a machine was seen, else all that there are of it
seen as (
    select machine, day
    from states
    left join core.day_run as counts using (machine, day)
    qualify
        is_observed
        or cycles is not null
        or not bool_or(is_observed or cycles is not null) over (partition by machine)
),

extents as (
    select machine, min(day) as first_day, max(day) as last_day
    from (
        select
            machine,
            day,
            sum(is_apart::int) over (
                partition by machine order by day rows between unbounded preceding and current row
            ) as extent,
        from (
            select machine, day, coalesce(day - lag(day) over (partition by machine order by day) > 366, false) as is_apart
            from seen
        )
    )
    group by machine, extent
),

periods as (
    select day, 'day' as period_kind, strftime(day, '%Y-%m-%d') as period, day_start_us, day_end_us from days
    union
    select day, 'week', week, day_start_us, day_end_us from days
    union
    select day, 'month', month, day_start_us, day_end_us from days
),

joined as (
    select
        machines.machine,
        periods.period_kind,
        periods.period,
        sum(periods.day_end_us - periods.day_start_us)::bigint as calendar,
        coalesce(sum(plans.planned), 0)::bigint as planned,
        coalesce(sum(cutting), 0)::bigint as cutting,
        coalesce(sum(noncutting), 0)::bigint as noncutting,
        coalesce(sum(held), 0)::bigint as held,
        coalesce(sum(faulted), 0)::bigint as faulted,
        coalesce(sum(setup), 0)::bigint as setup,
        coalesce(sum(idle), 0)::bigint as idle,
        coalesce(sum(off_shift), 0)::bigint as off_shift,
        coalesce(sum(cutting_planned), 0)::bigint as cutting_planned,
        coalesce(sum(noncutting_planned), 0)::bigint as noncutting_planned,
        coalesce(sum(held_planned), 0)::bigint as held_planned,
        coalesce(sum(faulted_planned), 0)::bigint as faulted_planned,
        coalesce(sum(setup_planned), 0)::bigint as setup_planned,
        coalesce(sum(idle_planned), 0)::bigint as idle_planned,
        coalesce(sum(off_shift_planned), 0)::bigint as off_shift_planned,
        coalesce(sum(observed_planned), 0)::bigint as observed_planned,
        coalesce(sum(overtime), 0)::bigint as overtime,
        coalesce(sum(lights_out), 0)::bigint as lights_out,
        coalesce(sum(estimated), 0)::bigint as estimated,
        coalesce(sum(derived), 0)::bigint as derived,
        coalesce(sum(cycles), 0)::bigint as cycles,
        coalesce(sum(parts), 0)::bigint as parts,
        coalesce(sum(scrap), 0)::bigint as scrap,
        coalesce(sum(timed), 0)::bigint as timed,
        coalesce(sum(ideal), 0)::bigint as ideal,
        coalesce(sum(made), 0)::bigint as made,
        coalesce(sum(spoilt), 0)::bigint as spoilt,
        coalesce(bool_and(states.is_measured), true) as is_measured,
    from (select distinct machine from extents) as machines
    cross join periods
    left join extents on machines.machine = extents.machine and periods.day between extents.first_day and extents.last_day
    left join plans on machines.machine = plans.machine and periods.day = plans.day
    left join states on machines.machine = states.machine and periods.day = states.day
    left join core.day_run as counts on machines.machine = counts.machine and periods.day = counts.day
    group by machines.machine, periods.period_kind, periods.period
    having bool_or(extents.first_day is not null)
),

elements as (
    select
        joined.*,
        cutting + noncutting + held + faulted + setup + idle + off_shift as observed,
        cutting_planned + noncutting_planned as apt,
        setup_planned as aust,
        held_planned + faulted_planned as adet,
        planned = 0 or observed_planned < planned * shop.least_coverage as low_coverage,
        coalesce(telling.tells_scrap, false) as tells_scrap,
        shop.least_coverage,
    from joined
    left join telling using (machine)
    cross join core.shop_setting as shop
),

-- PRI x PQ / APT of the runs with an estimate stands for all of them where these took enough of the production time
ideals as (
    select
        *,
        case when apt > 0 then least(timed / apt, 1) end as ideal_share,
        case when apt > 0 and timed >= least_coverage * apt then ideal / nullif(timed, 0) end as effectiveness,
        case when tells_scrap then (made - spoilt) / nullif(made, 0) end as quality_ratio,
    from elements
)

select
    period_kind,
    machine,
    period,
    calendar / 1e6 as calendar_s,
    planned / 1e6 as planned_s,
    observed_planned / 1e6 as observed_planned_s,
    observed_planned / nullif(planned, 0) as coverage,
    cutting / 1e6 as cutting_s,
    noncutting / 1e6 as noncutting_s,
    held / 1e6 as held_s,
    faulted / 1e6 as faulted_s,
    setup / 1e6 as setup_s,
    idle / 1e6 as idle_s,
    off_shift / 1e6 as off_shift_s,
    (calendar - observed) / 1e6 as unobserved_s,
    cutting_planned / 1e6 as cutting_planned_s,
    noncutting_planned / 1e6 as noncutting_planned_s,
    held_planned / 1e6 as held_planned_s,
    faulted_planned / 1e6 as faulted_planned_s,
    setup_planned / 1e6 as setup_planned_s,
    idle_planned / 1e6 as idle_planned_s,
    off_shift_planned / 1e6 as off_shift_planned_s,
    (planned - observed_planned) / 1e6 as unobserved_planned_s,
    overtime / 1e6 as overtime_s,
    lights_out / 1e6 as lights_out_s,
    cycles,
    parts,
    scrap,
    cutting_planned / nullif(observed_planned, 0) as spindle_utilisation,
    cutting / nullif(observed, 0) as spindle_utilisation_calendar,
    apt / nullif(apt + aust + adet, 0) as utilization_efficiency,
    apt / nullif(observed_planned, 0) as availability,
    (apt + aust + adet) / nullif(observed_planned, 0) as allocation_efficiency,
    apt / nullif(apt + adet, 0) as technical_efficiency,
    aust / nullif(apt + aust, 0) as setup_rate,
    (apt + aust + adet) / 1e6 as actual_busy_s,
    (apt + aust) / 1e6 as actual_processing_s,
    apt / 1e6 as actual_production_s,
    adet / 1e6 as actual_delay_s,
    ideal_share,
    effectiveness,
    quality_ratio,
    apt / nullif(observed_planned, 0) * effectiveness * quality_ratio as oee_index,
    (apt + aust) / nullif(observed_planned, 0) * effectiveness * quality_ratio as nee_index,
    low_coverage,
    case
        when is_measured then 'measured'
        when estimated > 0.1 * (cutting + noncutting) then 'estimated'
        when estimated + derived > 0.1 * (cutting + noncutting) or cutting + noncutting = 0 then 'derived'
        else 'measured'
    end as basis,
from ideals
order by period_kind, machine, period

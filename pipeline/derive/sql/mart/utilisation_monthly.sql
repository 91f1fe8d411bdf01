-- Where each machine's month went: the eight states, in all and inside planned time, and the ISO 22400-2 indicators
-- that they support. Time of the month before the first and after the last record is unobserved.
-- Grain: machine x local month.
with
shop as (
    select timezone from core.shop_setting
),

extents as (
    select
        machine,
        coalesce(min(started_at) filter (state <> 'unobserved'), min(started_at)) as first_at,
        coalesce(max(ended_at) filter (state <> 'unobserved'), max(ended_at)) as last_at,
    from core.span
    group by machine
),

machine_months as (
    select
        extents.machine,
        unnest(
            generate_series(
                date_trunc('month', timezone(shop.timezone, extents.first_at)),
                date_trunc('month', timezone(shop.timezone, extents.last_at) - interval 1 microsecond),
                interval 1 month
            )
        ) as month_local,
    from extents
    cross join shop
),

months as (
    select
        machine_months.machine,
        strftime(machine_months.month_local, '%Y-%m') as month,
        timezone(shop.timezone, machine_months.month_local) as started_at,
        timezone(shop.timezone, machine_months.month_local + interval 1 month) as ended_at,
    from machine_months
    cross join shop
),

planned as (
    select
        months.machine,
        months.month,
        sum(
            epoch_us(least(shift.ended_at, months.ended_at)) - epoch_us(greatest(shift.started_at, months.started_at))
        ) as planned_us,
    from months
    inner join core.shift as shift
        on months.machine = shift.machine
        and shift.started_at < months.ended_at
        and shift.ended_at > months.started_at
    group by months.machine, months.month
),

clipped as (
    select
        months.machine,
        months.month,
        span.state,
        span.planned,
        span.basis,
        epoch_us(least(span.ended_at, months.ended_at)) - epoch_us(greatest(span.started_at, months.started_at))
            as length_us,
    from months
    inner join core.span as span
        on months.machine = span.machine
        and span.started_at < months.ended_at
        and span.ended_at > months.started_at
),

states as (
    select
        machine,
        month,
        coalesce(sum(length_us) filter (state = 'cutting'), 0) as cutting,
        coalesce(sum(length_us) filter (state = 'noncutting'), 0) as noncutting,
        coalesce(sum(length_us) filter (state = 'held'), 0) as held,
        coalesce(sum(length_us) filter (state = 'faulted'), 0) as faulted,
        coalesce(sum(length_us) filter (state = 'setup'), 0) as setup,
        coalesce(sum(length_us) filter (state = 'idle'), 0) as idle,
        coalesce(sum(length_us) filter (state = 'off_shift'), 0) as off_shift,
        coalesce(sum(length_us) filter (state = 'cutting' and planned), 0) as cutting_planned,
        coalesce(sum(length_us) filter (state = 'noncutting' and planned), 0) as noncutting_planned,
        coalesce(sum(length_us) filter (state = 'held' and planned), 0) as held_planned,
        coalesce(sum(length_us) filter (state = 'faulted' and planned), 0) as faulted_planned,
        coalesce(sum(length_us) filter (state = 'setup' and planned), 0) as setup_planned,
        coalesce(sum(length_us) filter (state = 'idle' and planned), 0) as idle_planned,
        coalesce(sum(length_us) filter (state = 'off_shift' and planned), 0) as off_shift_planned,
        coalesce(sum(length_us) filter (planned and state <> 'unobserved'), 0) as observed_planned,
        coalesce(sum(length_us) filter (state in ('cutting', 'noncutting') and basis = 'estimated'), 0) as estimated,
        coalesce(sum(length_us) filter (state in ('cutting', 'noncutting') and basis = 'derived'), 0) as derived,
        coalesce(bool_and(basis = 'measured'), true) as is_measured,
    from clipped
    group by machine, month
),

cycles as (
    select
        months.machine,
        months.month,
        count(*) as cycles,
        sum(run.parts)::bigint as parts,
        sum(run.scrap)::bigint as scrap,
    from months
    inner join core.run as run
        on months.machine = run.machine
        and run.started_at >= months.started_at
        and run.started_at < months.ended_at
    group by months.machine, months.month
),

joined as (
    select
        months.machine,
        months.month,
        epoch_us(months.ended_at) - epoch_us(months.started_at) as calendar,
        coalesce(planned.planned_us, 0) as planned,
        states.*,
        coalesce(cycles.cycles, 0) as cycles,
        coalesce(cycles.parts, 0) as parts,
        coalesce(cycles.scrap, 0) as scrap,
    from months
    left join planned using (machine, month)
    left join states using (machine, month)
    left join cycles using (machine, month)
),

elements as (
    select
        *,
        cutting + noncutting + held + faulted + setup + idle + off_shift as observed,
        cutting_planned + noncutting_planned as apt,
        setup_planned as aust,
        held_planned + faulted_planned as adet,
    from joined
)

select
    machine,
    month,
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
    case
        when is_measured then 'measured'
        when estimated > 0.1 * (cutting + noncutting) then 'estimated'
        when estimated + derived > 0.1 * (cutting + noncutting) or cutting + noncutting = 0 then 'derived'
        else 'measured'
    end as basis,
from elements
order by machine, month

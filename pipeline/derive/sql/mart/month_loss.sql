-- What kept each machine from cutting in its planned time, in hours and in money at its rate. With the cutting time the
-- losses add up to the plan. What was not observed is not known to be lost and costs nothing.
-- Grain: machine x local month x loss.
-- Renewed: whole.
with
told as (
    select
        machine,
        strftime(day, '%Y-%m') as month,
        sum(tool_change_us) / 1e6 as tool_change_s,
        sum(program_stop_us) / 1e6 as program_stop_s,
    from core.day_loss
    group by machine, month
),

months as (
    select
        machine,
        utilisation.month,
        utilisation.planned_s,
        utilisation.noncutting_planned_s - coalesce(told.tool_change_s, 0) as noncutting_s,
        coalesce(told.tool_change_s, 0) as tool_change_s,
        utilisation.held_planned_s - coalesce(told.program_stop_s, 0) as feed_hold_s,
        coalesce(told.program_stop_s, 0) as program_stop_s,
        utilisation.faulted_planned_s as fault_s,
        utilisation.setup_planned_s as setup_s,
        utilisation.idle_planned_s as idle_s,
        utilisation.unobserved_planned_s as unobserved_s,
    from mart.utilisation_monthly as utilisation
    left join told using (machine, month)
),

losses as (
    unpivot months
    on
        noncutting_s, tool_change_s, feed_hold_s, program_stop_s, fault_s, setup_s, idle_s, unobserved_s
    into name loss value seconds
)

select
    machine,
    losses.month,
    regexp_replace(losses.loss, '_s$', '') as loss,
    round(losses.seconds, 6) / 3600 as hours,
    round(losses.seconds, 6) / nullif(losses.planned_s, 0) as share_of_planned,
    case when losses.loss <> 'unobserved_s' then round(losses.seconds, 6) / 3600 * machine.rate_per_hour end as cost,
from losses
inner join core.machine as machine using (machine)
order by machine, losses.month, loss

-- Each month against the one before, in hours of this month's planned, observed time: what each loss took beyond its
-- share of the month before. The hours lost sum to those that cutting lost. What was not observed is no loss here.
-- Grain: machine x local month x loss (with `cutting`).
-- Renewed: whole.
with
observed as (
    select
        machine,
        month,
        observed_planned_s / 3600 as observed_hours,
        coverage,
        spindle_utilisation,
        strftime(strptime(month, '%Y-%m') - interval 1 month, '%Y-%m') as month_before,
    from mart.utilisation_monthly
    where observed_planned_s > 0
),

losses as (
    select machine, month, loss, hours from mart.month_loss where loss <> 'unobserved'
    union all
    select machine, month, 'cutting', cutting_planned_s / 3600 from mart.utilisation_monthly
)

select
    now.machine,
    now.month,
    now.month_before,
    losses.loss,
    losses.hours,
    losses_before.hours as hours_before,
    losses.hours - losses_before.hours / before.observed_hours * now.observed_hours as change_hours,
    losses.hours / now.observed_hours - losses_before.hours / before.observed_hours as share_change,
    now.observed_hours,
    before.observed_hours as observed_hours_before,
    now.coverage,
    before.coverage as coverage_before,
    now.spindle_utilisation,
    before.spindle_utilisation as spindle_utilisation_before,
from observed as now
inner join observed as before on now.machine = before.machine and now.month_before = before.month
inner join losses on now.machine = losses.machine and now.month = losses.month
inner join losses as losses_before
    on before.machine = losses_before.machine and before.month = losses_before.month and losses.loss = losses_before.loss
order by now.machine, now.month, losses.loss

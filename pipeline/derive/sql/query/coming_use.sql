-- What each coming batch asks of each tool of its machine: the tools that its estimate lists, else those that cut for it
-- before (a tool that is merely still in the spindle when a cycle begins cuts for a second: less than a fiftieth of the
-- time does not count), and the minutes of cut of a part, as measured, else as estimated. Tools without an edge in the
-- ledger are left out: nothing is known of their edges. Sister tools make the share of the parts that they made so far.
-- Grain: machine x place x tool number.
with
measured as (
    select machine, tool, job_key, operation, sum(cut_us) / 60e6 / sum(parts) as min_per_part, sum(parts) as parts
    from core.edge_use
    where cut_us > 0 and parts > 0
    group by machine, tool, job_key, operation
),

cut_before as (
    select
        coming.machine,
        coming.place,
        measured.tool,
        measured.min_per_part,
        measured.parts,
        measured.min_per_part >= 0.02 * sum(measured.min_per_part) over (
            partition by coming.machine, coming.place
        ) as is_used,
    from mart.coming_batch as coming
    inner join measured
        on coming.machine = measured.machine
        and coming.job_key = measured.job_key
        and coming.operation is not distinct from measured.operation
),

listed as (
    select coming.machine, coming.place, line.tool, line.cut_s / 60 / coalesce(estimate.parts_per_cycle, 1) as min_per_part
    from mart.coming_batch as coming
    inner join core.estimate_line as line using (estimate_id)
    inner join core.estimate_operation as estimate using (estimate_id)
    where line.tool is not null
),

chosen as (
    select
        machine,
        place,
        tool,
        coalesce(cut_before.min_per_part, listed.min_per_part) as min_per_part,
        cut_before.tool is not null as is_measured,
        coalesce(cut_before.parts, 0) as parts_so_far,
    from listed
    full join cut_before using (machine, place, tool)
    where
        listed.tool is not null
        or (cut_before.is_used and (machine, place) not in (select (machine, place) from listed))
),

in_use as (
    select distinct machine, tool, life_machine, life_tool
    from core.edge_life
    where removed_at is null
)

select
    in_use.life_machine as machine,
    in_use.life_tool as tool,
    coming.machine as at_machine,
    chosen.tool as at_tool,
    coming.place,
    coming.job,
    coming.job_key,
    coming.operation,
    coming.basis,
    coming.parts_left,
    chosen.min_per_part,
    chosen.is_measured,
    coalesce(chosen.parts_so_far / nullif(sum(chosen.parts_so_far) over sisters, 0), 1 / count(*) over sisters) as share,
from mart.coming_batch as coming
inner join chosen using (machine, place)
inner join in_use on chosen.machine = in_use.machine and chosen.tool = in_use.tool
window sisters as (partition by coming.machine, coming.place, in_use.life_machine, in_use.life_tool)
order by coming.machine, coming.place, try_cast(chosen.tool as bigint), chosen.tool

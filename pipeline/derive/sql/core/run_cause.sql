-- Why a complete run took longer or shorter than its estimate: seconds by tool and cause; the rows of a run add up to
-- actual - estimate. Where the estimate gives one time for the whole cycle, in-cycle time cannot be split and is
-- `unexplained`; where no tool of the run is known, the tools' lines are compared in total. Standing still with an
-- override at zero is `feed_override`. What an estimate allows for moves without a cut is there for moves first: what is
-- left of it, for standing still (`dwell`). A tool that measures by its type or name does nothing but `probing`.
-- Grain: run x tool x cause.
-- Renewed: by window.
with
-- of no tool of these runs anything is known
toolless as (
    select run_id from core.tool_use where tool is null
    except
    select run_id from core.tool_use where tool is not null
),

runs as (
    select
        run.run_id,
        run.machine,
        run.started_at,
        run.estimate_id,
        run.estimate_s,
        run.estimate_from = 'lines' and coalesce(operation.has_tool_lines, false) as by_tool,
        toolless.run_id is not null as in_total,
    from core.run as run
    left join core.estimate_operation as operation using (estimate_id)
    left join toolless using (run_id)
    where run.outcome = 'complete' and run.estimate_s is not null
),

measuring as (
    -- words for a touch probe in ten languages
    select
        '(?i)\b(touch-?probe|probe|(mess|mess-|3d-|kanten)?taster|tastkopf|palpeurs?|palpadora?|tastatore|sonda'
        || '|meettaster|(mat|mät)?prob)\b' as words
),

probes_of_estimates as materialized (
    select line.estimate_id, line.tool
    from core.estimate_line as line
    cross join measuring
    where regexp_matches(line.tool_type, measuring.words)
),

probes_of_machines as materialized (
    select
        tool.machine,
        tool.tool,
        coalesce(tool.from_at, timestamptz '0001-01-02') as from_at,
        coalesce(timezone(shop.timezone, tool.until_on::timestamp), timestamptz '9999-01-01') as until_at,
    from core.tool as tool
    cross join core.shop_setting as shop
    cross join measuring
    where regexp_matches(concat_ws(' ', tool.tool_type, tool.name), measuring.words)
),

-- a line without a tool carries what belongs to no tool, tool changes included: they are compared in total
allowed as (
    select
        estimate_id,
        false as in_total,
        tool,
        cut_s::decimal(18, 6) as cut_s,
        if(tool is null, 0, noncut_s)::decimal(18, 6) as rapid_s,
        if(tool is null, noncut_s, 0)::decimal(18, 6) as change_s,
    from core.estimate_line
    union all
    select
        estimate_id,
        true,
        null,
        coalesce(sum(cut_s) filter (tool is not null), 0)::decimal(18, 6)
        + coalesce(sum(cut_s) filter (tool is null), 0)::decimal(18, 6),
        coalesce(sum(noncut_s) filter (tool is not null), 0)::decimal(18, 6),
        coalesce(sum(noncut_s) filter (tool is null), 0)::decimal(18, 6),
    from core.estimate_line
    group by estimate_id
),

-- decimals add up to the same in any order of rows
used as (
    select
        runs.machine,
        runs.started_at,
        runs.run_id,
        use.tool,
        runs.by_tool,
        runs.estimate_s,
        (use.override_s + use.blocked_s)::decimal(18, 6) as override_s,
        use.hold_s::decimal(18, 6) as hold_s,
        use.stop_s::decimal(18, 6) as stop_s,
        use.fault_s::decimal(18, 6) as fault_s,
        use.unobserved_s::decimal(18, 6) as unobserved_s,
        (use.cut_s - use.override_s)::decimal(18, 6) - coalesce(allowed.cut_s, 0) as cut_s,
        use.dwell_s::decimal(18, 6) as still_s,
        (use.noncut_s - use.blocked_s)::decimal(18, 6) - coalesce(allowed.rapid_s, 0) as uncut_s,
        coalesce(of_estimate.tool, of_machine.tool) is not null as is_probe,
        use.tool_change_s::decimal(18, 6) - coalesce(allowed.change_s, 0) as change_s,
        (use.cut_s - use.override_s + use.noncut_s - use.blocked_s + use.tool_change_s)::decimal(18, 6) as in_cycle_s,
    from core.tool_use as use
    inner join runs using (run_id)
    left join allowed
        on runs.by_tool
        and runs.estimate_id = allowed.estimate_id
        and runs.in_total = allowed.in_total
        and use.tool is not distinct from allowed.tool
    left join probes_of_estimates as of_estimate
        on runs.estimate_id = of_estimate.estimate_id and use.tool = of_estimate.tool
    left join probes_of_machines as of_machine
        on runs.machine = of_machine.machine
        and use.tool = of_machine.tool
        and runs.started_at >= of_machine.from_at
        and runs.started_at < of_machine.until_at
),

missed as (
    select runs.*, allowed.tool, -allowed.cut_s as cut_s, -allowed.rapid_s as uncut_s, -allowed.change_s as change_s
    from runs
    inner join allowed on runs.by_tool and runs.estimate_id = allowed.estimate_id and runs.in_total = allowed.in_total
    anti join core.tool_use as use on runs.run_id = use.run_id and allowed.tool is not distinct from use.tool
),

unused as (
    select
        missed.machine,
        missed.started_at,
        missed.run_id,
        missed.tool,
        missed.cut_s,
        missed.uncut_s,
        missed.change_s,
        coalesce(of_estimate.tool, of_machine.tool) is not null as is_probe,
    from missed
    left join probes_of_estimates as of_estimate
        on missed.estimate_id = of_estimate.estimate_id and missed.tool = of_estimate.tool
    left join probes_of_machines as of_machine
        on missed.machine = of_machine.machine
        and missed.tool = of_machine.tool
        and missed.started_at >= of_machine.from_at
        and missed.started_at < of_machine.until_at
),

of_no_tool as (
    select machine, started_at, run_id, 'tool_change' as cause, sum(change_s) as seconds
    from (
        select machine, started_at, run_id, change_s from used where by_tool
        union all
        select machine, started_at, run_id, change_s from unused
    )
    group by machine, started_at, run_id
    union all
    select machine, started_at, run_id, 'unexplained', sum(in_cycle_s) - any_value(estimate_s)::decimal(18, 6)
    from used
    where not by_tool
    group by machine, started_at, run_id
    union all
    -- a run that ends in the minute in which it begins, where times have no seconds, has no time that a tool used
    select runs.machine, runs.started_at, runs.run_id, 'unexplained', -runs.estimate_s::decimal(18, 6)
    from runs
    anti join core.tool_use as use on runs.run_id = use.run_id
    where not runs.by_tool
),

parts as (
    select machine, started_at, run_id, tool, 'feed_override' as cause, override_s as seconds from used
    union all
    select machine, started_at, run_id, tool, 'hold', hold_s from used
    union all
    select machine, started_at, run_id, tool, 'stop', stop_s from used
    union all
    select machine, started_at, run_id, tool, 'fault', fault_s from used
    union all
    select machine, started_at, run_id, tool, 'unobserved', unobserved_s from used
    union all
    select machine, started_at, run_id, tool, if(is_probe, 'probing', 'cutting'), cut_s from used where by_tool
    union all
    -- still time is over what is allowed as far as all of it together is
    select
        machine,
        started_at,
        run_id,
        tool,
        if(is_probe, 'probing', 'rapid'),
        uncut_s - if(is_probe, 0, greatest(least(still_s, uncut_s), 0)),
    from used
    where by_tool
    union all
    select machine, started_at, run_id, tool, 'dwell', greatest(least(still_s, uncut_s), 0)
    from used
    where by_tool and not is_probe and still_s > 0
    union all
    select machine, started_at, run_id, tool, if(is_probe, 'probing', 'cutting'), cut_s from unused
    union all
    select machine, started_at, run_id, tool, if(is_probe, 'probing', 'rapid'), uncut_s from unused
    union all
    select machine, started_at, run_id, null, cause, seconds from of_no_tool
)

-- of a probe both times are one cause
select machine, started_at, run_id, tool, cause, seconds::double as seconds
from parts
where seconds <> 0 and cause <> 'probing'
union all
select machine, started_at, run_id, tool, cause, sum(seconds)::double as seconds
from parts
where cause = 'probing'
group by machine, started_at, run_id, tool, cause
having sum(seconds) <> 0

-- What shop.toml says of each tool number, for each machine that it is on, and from when to when it means that tool.
-- A line for one machine goes before one for all, a dated one before an undated one, a later one before an earlier one.
-- An edge counts as one of `life_tool` on `life_machine`: sister tools as the one that they are sisters of, a number that
-- meant another tool before `tool_from` as another tool, and where shop.toml calls it one tool all its machines together.
-- `is_lead` marks the row whose settings hold for what is counted together.
-- Grain: machine x tool x stretch of local days in which the number means one tool.
-- Renewed: first.
with
entries as (
    select machine.machine, setting.* exclude (machine), setting.machine = '*' as for_all
    from core.tool_setting as setting
    inner join core.machine as machine on setting.machine = machine.machine or setting.machine = '*'
),

groups as (
    select
        number,
        case
            when bool_or(for_all) then 'all machines'
            else string_agg(distinct machine, ' + ' order by machine)
        end as machines,
    from entries
    where one_tool
    group by number
    having count(distinct machine) > 1
),

-- the days on which a number, or that of the tool it is a sister of, may begin to mean something else
days as (
    select machine, tool, from_on from entries
    union
    select machine, tool, to_on + 1 from entries where to_on is not null
    union
    select sister.machine, sister.tool, lead_entry.from_on
    from entries as sister
    inner join entries as lead_entry on sister.machine = lead_entry.machine and sister.sister_of = lead_entry.tool
    union
    select sister.machine, sister.tool, lead_entry.to_on + 1
    from entries as sister
    inner join entries as lead_entry on sister.machine = lead_entry.machine and sister.sister_of = lead_entry.tool
    where lead_entry.to_on is not null
    union
    select machine, tool, null from entries
),

stretches as (
    select
        machine,
        tool,
        from_on,
        lead(from_on) over (partition by machine, tool order by from_on nulls first) as until_on,
        coalesce(from_on, date '0001-01-01') as first_on,
    from days
),

held as (
    select
        stretches.*,
        entries.* exclude (machine, tool, from_on),
        entries.from_on as entry_from_on,
        entries.from_on is not null or entries.to_on is not null as is_dated,
    from stretches
    left join entries
        on stretches.machine = entries.machine
        and stretches.tool = entries.tool
        and coalesce(entries.from_on <= stretches.first_on, true)
        and coalesce(entries.to_on >= stretches.first_on, true)
    qualify row_number() over (
        partition by stretches.machine, stretches.tool, stretches.first_on
        order by entries.for_all, is_dated desc, entries.number desc
    ) = 1
),

-- a stretch with no date of its own begins with what ended before it
counted as (
    select *, if(is_dated, entry_from_on, from_on) as since_on
    from held
),

-- what shop.toml does not say of a sister tool holds as it says it of the other
placed as (
    select
        own.* exclude (
            name, tool_type, diameter_mm, inserts, edges_per_insert, edge_cost, insert_cost, tool_cost, regrinds,
            regrind_cost, change_min, failure_cost
        ),
        coalesce(own.name, lead_tool.name) as name,
        coalesce(own.tool_type, lead_tool.tool_type) as tool_type,
        coalesce(own.diameter_mm, lead_tool.diameter_mm) as diameter_mm,
        coalesce(own.inserts, lead_tool.inserts) as inserts,
        coalesce(own.edges_per_insert, lead_tool.edges_per_insert) as edges_per_insert,
        coalesce(own.edge_cost, lead_tool.edge_cost) as edge_cost,
        coalesce(own.insert_cost, lead_tool.insert_cost) as insert_cost,
        coalesce(own.tool_cost, lead_tool.tool_cost) as tool_cost,
        coalesce(own.regrinds, lead_tool.regrinds) as regrinds,
        coalesce(own.regrind_cost, lead_tool.regrind_cost) as regrind_cost,
        coalesce(own.change_min, lead_tool.change_min) as change_min,
        coalesce(own.failure_cost, lead_tool.failure_cost) as failure_cost,
        coalesce(own.sister_of, own.tool) as life_tool,
        coalesce(groups.machines, own.machine) as life_machine,
        if(own.sister_of is null, own.since_on, lead_tool.since_on) as tool_from,
    from counted as own
    asof left join counted as lead_tool
        on own.machine = lead_tool.machine
        and own.sister_of = lead_tool.tool
        and own.first_on >= lead_tool.first_on
    left join groups
        on coalesce(if(own.sister_of is null, own.number, lead_tool.number), own.number) = groups.number
)

select
    placed.machine,
    placed.tool,
    placed.from_on,
    placed.until_on,
    timezone(shop.timezone, placed.from_on::timestamp) as from_at,
    placed.name,
    placed.tool_type,
    placed.diameter_mm,
    placed.inserts,
    placed.edges_per_insert,
    placed.edge_cost,
    placed.insert_cost,
    placed.tool_cost,
    placed.regrinds,
    placed.insert_cost is null and coalesce(placed.regrind_cost, placed.tool_cost) is not null as is_solid,
    placed.change_min,
    placed.failure_cost,
    placed.life_machine,
    concat_ws(' since ', placed.life_tool, placed.tool_from) as life_tool,
    placed.tool_from,
    row_number() over (
        partition by placed.life_machine, placed.life_tool, placed.tool_from
        order by placed.tool <> placed.life_tool, placed.machine, placed.tool, placed.first_on desc
    ) = 1 as is_lead,
from placed
cross join core.shop_setting as shop
order by placed.machine, placed.tool, placed.first_on

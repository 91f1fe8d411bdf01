-- Days on which the starts in a machine's cycle list keep one and the same distance from the starts its control told:
-- a clock that was wrong. Looked for only on days of five or more listed cycles of which under half start within a
-- minute of the control; told where one distance (within a minute) brings at least six in ten of them together, and a
-- quarter more than any other distance does: a day of even beats fits at many. A positive offset: the list runs ahead.
-- Grain: machine x UTC day of listed starts.
-- Renewed: by window.
with
listed as (
    select distinct
        cycle.machine,
        epoch_us(cycle.started_at) as at_us,
        cycle.started_at::date as day_on,
    from core.cycle as cycle
    inner join core.stream_extent using (machine)
),

executing as (
    select
        machine,
        execution,
        started_us,
        lag(execution) over (partition by machine, path order by started_us) as before,
    from core.execution
    where machine in (select machine from listed)
),

streamed as (
    select distinct
        executing.machine,
        executing.started_us as at_us,
        make_timestamptz(executing.started_us)::date as day_on,
    from executing
    where executing.execution = 'ACTIVE' and executing.before in ('READY', 'STOPPED', 'PROGRAM_COMPLETED')
),

fitted as (
    select
        listed.machine,
        listed.day_on,
        listed.at_us,
        coalesce(listed.at_us - before.at_us <= 60e6, false) or coalesce(after.at_us - listed.at_us <= 60e6, false) as fits,
    from listed
    asof left join streamed as before on listed.machine = before.machine and listed.at_us >= before.at_us
    asof left join streamed as after on listed.machine = after.machine and listed.at_us <= after.at_us
),

doubted as (
    select machine, day_on, count(*) as cycles
    from fitted
    group by machine, day_on
    having count(*) >= 5 and count(*) filter (fits) * 2 < count(*)
),

distances as (
    select doubted.machine, doubted.day_on, doubted.cycles, listed.at_us, listed.at_us - streamed.at_us as offset_us
    from doubted
    inner join listed using (machine, day_on)
    inner join streamed using (machine, day_on)
),

-- a distance counts in its own half minute and in the next: within a minute of one another, whatever the edges
binned as (
    select *, floor(offset_us / 30e6)::bigint as bin from distances
    union all
    select *, floor(offset_us / 30e6)::bigint + 1 from distances
),

votes as (
    select
        machine,
        day_on,
        bin,
        any_value(cycles) as cycles,
        count(distinct at_us) as matched,
        median(offset_us) as offset_us,
    from binned
    group by machine, day_on, bin
),

ranked as (
    select
        *,
        row_number() over by_votes as place,
        first_value(bin) over by_votes as best_bin,
    from votes
    window by_votes as (partition by machine, day_on order by matched desc, abs(offset_us), bin)
),

rivals as (
    select machine, day_on, max(matched) as matched from ranked where abs(bin - best_bin) > 1 group by machine, day_on
)

select
    ranked.machine,
    ranked.day_on,
    ranked.cycles,
    ranked.matched,
    ranked.offset_us / 1e6 as offset_s,
from ranked
left join rivals using (machine, day_on)
where
    ranked.place = 1
    and ranked.matched >= 5
    and ranked.matched * 10 >= ranked.cycles * 6
    and ranked.matched * 4 >= coalesce(rivals.matched, 0) * 5
    and abs(ranked.offset_us) > 60e6
order by ranked.machine, ranked.day_on

-- Where a cycle list and the control's own stream, or two cycles of a list, do not go together: which kind, how long,
-- and the rows on both sides. Stretches under a minute are left out: lists are often kept to the minute.
-- Kinds: `listed cycle, control idle`; `control in cycle, none listed` (manual operation is no cycle); `listed cycles
-- overlap`. The time line takes the stream's word for the first two, and counts overlapping time once.
-- Grain: listed cycle (the one concerned, or the last to start before) x kind.
-- Renewed: by window.
with
listed as (
    select
        run_id,
        machine,
        epoch_us(started_at) as started_us,
        epoch_us(ended_at) as ended_us,
        file_id,
        row_number,
    from core.cycle_seen
    where basis = 'derived'
),

mixed as (
    select machine from core.stream_extent where machine in (select machine from listed)
),

signals as (
    select machine, 'listed' as signal, started_us, ended_us from listed
    inner join mixed using (machine)
    union all
    select told.machine, told.signal, told.started_us, told.ended_us
    from core.stream_signal as told
    inner join mixed using (machine)
    where told.signal in ('active', 'hold', 'stop', 'ready', 'away', 'silent', 'manual')
),

instants as (
    select
        machine,
        at_us,
        sum(delta) filter (signal = 'listed') as listed,
        sum(delta) filter (signal = 'active') as active,
        sum(delta) filter (signal in ('hold', 'stop')) as held,
        sum(delta) filter (signal = 'ready') as ready,
        sum(delta) filter (signal in ('away', 'silent')) as away,
        sum(delta) filter (signal = 'manual') as manual,
    from (
        select machine, signal, started_us as at_us, 1 as delta from signals
        union all
        select machine, signal, ended_us, -1 from signals
    )
    group by machine, at_us
),

standing as (
    select
        machine,
        at_us as started_us,
        lead(at_us) over (partition by machine order by at_us) as ended_us,
        coalesce(sum(listed) over upto, 0) > 0 as is_listed,
        coalesce(sum(active) over upto, 0) > 0 as is_active,
        coalesce(sum(held) over upto, 0) > 0 as is_held,
        coalesce(sum(ready) over upto, 0) > 0 as is_ready,
        coalesce(sum(away) over upto, 0) > 0 as is_away,
        coalesce(sum(manual) over upto, 0) > 0 as is_manual,
    from instants
    window upto as (partition by machine order by at_us rows between unbounded preceding and current row)
),

latest as (
    select machine, started_us, max(run_id) as run_id from listed group by machine, started_us
),

judged as (
    select
        standing.machine,
        latest.run_id,
        standing.started_us,
        standing.ended_us,
        case
            when is_away then null
            when is_listed and is_ready and not is_active and not is_held then 'listed cycle, control idle'
            when not is_listed and is_active and not is_manual then 'control in cycle, none listed'
        end as kind,
    from standing
    asof inner join latest on standing.machine = latest.machine and standing.started_us >= latest.started_us
    where standing.ended_us > standing.started_us
),

islanded as (
    select
        *,
        sum(is_new::bigint) over (
            partition by machine order by started_us rows between unbounded preceding and current row
        ) as island,
    from (
        select
            *,
            (run_id, coalesce(kind, '')) is distinct from lag((run_id, coalesce(kind, ''))) over (
                partition by machine order by started_us
            ) as is_new,
        from judged
    )
),

stretches as (
    select
        machine,
        any_value(run_id) as run_id,
        any_value(kind) as kind,
        min(started_us) as started_us,
        max(ended_us) as ended_us,
    from islanded
    where kind is not null
    group by machine, island
    having max(ended_us) - min(started_us) >= 60e6
),

against_stream as (
    select
        stretches.run_id,
        stretches.kind,
        stretches.started_us,
        stretches.ended_us - stretches.started_us as length_us,
        said.file_id as other_file_id,
        said.row_number as other_row_number,
    from stretches
    asof left join core.execution as said
        on stretches.machine = said.machine and stretches.started_us >= said.started_us
),

against_list as (
    select
        run_id,
        'listed cycles overlap' as kind,
        started_us,
        least(ended_us, before.ended_us) - started_us as length_us,
        before.file_id as other_file_id,
        before.row_number as other_row_number,
    from (
        select
            *,
            max({'ended_us': ended_us, 'file_id': file_id, 'row_number': row_number}) over (
                partition by machine
                order by started_us, run_id
                rows between unbounded preceding and 1 preceding
            ) as before,
        from listed
    )
    where before is not null and least(ended_us, before.ended_us) - started_us >= 60e6
),

told as (
    select * from against_stream
    union all
    select * from against_list
)

select
    run_id,
    listed.machine,
    told.kind,
    make_timestamptz(min(told.started_us)) as started_at,
    timezone(any_value(shop.timezone), make_timestamptz(min(told.started_us)))::date as day,
    sum(told.length_us)::bigint / 1e6 as seconds,
    any_value(listed.file_id) as file_id,
    any_value(listed.row_number) as row_number,
    arg_min(told.other_file_id, told.started_us) as other_file_id,
    arg_min(told.other_row_number, told.started_us) as other_row_number,
from told
inner join listed using (run_id)
cross join core.shop_setting as shop
group by run_id, listed.machine, told.kind
order by listed.machine, started_at, told.kind

-- The control's own counters as a witness: what they counted beside what the time line has for the same stretches.
-- A stretch from the last reading in one run to the first in the next is judged as core.counter_advance judges those
-- inside. `differs` is more than 2 % of the counter and more than two of its steps apart; under an hour is `too little`;
-- where several items of a machine count one thing (one a path), none of them stands for the machine.
-- largest_s is the difference of the one run, with the pause before it, that has most of it, and the rows cited are those
-- of the readings at both its ends.
-- Grain: machine x local month x counter x counting item.
-- Renewed: whole.
with
running as (
    select
        *,
        sum(head_spans_s + tail_spans_s) over upto - tail_spans_s as spans_before_s,
        sum(head_unseen_s + tail_unseen_s) over upto - tail_unseen_s as unseen_before_s,
    from core.counter_advance
    window upto as (
        partition by machine, counter, timer
        order by started_at
        rows between unbounded preceding and current row
    )
),

told as (
    select
        *,
        (epoch_us(first_reading_at) - epoch_us(lag(last_reading_at) over by_start)) / 1e6 as gap_s,
        first_reading_s - lag(last_reading_s) over by_start as gap_grown_s,
        spans_before_s - lag(spans_before_s) over by_start as gap_spans_s,
        unseen_before_s - lag(unseen_before_s) over by_start as gap_unseen_s,
        least(step_s, lag(step_s) over by_start) as gap_step_s,
        lag(last_reading_at) over by_start as gap_at,
        lag(last_file_id) over by_start as gap_file_id,
        lag(last_row_number) over by_start as gap_row_number,
    from running
    where readings > 0
    window by_start as (partition by machine, counter, timer order by started_at)
),

judged as (
    select
        *,
        case
            when gap_s is null then 'none'
            when gap_grown_s < 0 then 'reset'
            when gap_grown_s > gap_s * 1.02 + gap_step_s then 'implausible'
            when gap_unseen_s > 0.0005 then 'unseen'
            else 'compared'
        end as gap,
    from told
),

compared as (
    select
        * exclude (advance_s, spans_s, file_id, row_number, first_reading_at),
        gap = 'compared' as is_joined,
        advance_s + if(is_joined, gap_grown_s, 0) as counter_s,
        spans_s + if(is_joined, gap_spans_s, 0) as spans_s,
        if(is_joined, gap_at, first_reading_at) as from_at,
        if(is_joined, gap_file_id, file_id) as file_id,
        if(is_joined, gap_row_number, row_number) as row_number,
    from judged
),

added as (
    select
        machine,
        month,
        counter,
        timer,
        sum(readings)::bigint as readings,
        sum(counter_s) as counter_s,
        sum(spans_s) as spans_s,
        sum(unseen_s + if(gap = 'unseen', gap_grown_s, 0)) as unseen_s,
        sum(implausible_s + if(gap = 'implausible', gap_grown_s, 0)) as implausible_s,
        sum(resets + if(gap = 'reset', 1, 0))::bigint as resets,
        min(step_s)::double as step_s,
        -- of equal differences the first, so that the order of rows is no matter
        arg_max(
            {
                'largest_s': spans_s - counter_s,
                'largest_from': from_at,
                'largest_to': last_reading_at,
                'file_id': file_id,
                'row_number': row_number,
                'last_file_id': last_file_id,
                'last_row_number': last_row_number
            },
            (round(abs(spans_s - counter_s), 3), -epoch_us(started_at))
        ) as largest,
        count(*) over (partition by machine, month, counter) as timers,
    from compared
    group by machine, month, counter, timer
)

select
    machine,
    month,
    counter,
    timer,
    counter_s,
    spans_s,
    spans_s - counter_s as difference_s,
    (spans_s - counter_s) / nullif(counter_s, 0) as share,
    case
        when timers > 1 then 'several counters'
        when greatest(counter_s, spans_s) < 3600 then 'too little'
        when abs(spans_s - counter_s) > greatest(0.02 * counter_s, 2 * step_s) then 'differs'
        else 'agrees'
    end as verdict,
    readings,
    unseen_s,
    implausible_s,
    resets,
    step_s,
    unnest(largest),
from added
order by machine, month, counter, timer

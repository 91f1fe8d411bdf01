-- What each item of a machine said on a UTC day: how often, between when, the range of its numbers, and its last row,
-- apart for numbers and words and for each level of a condition. The last rows are what stood when the next day began.
-- Grain: machine x UTC day x item x data_item_id x sub_type x path x native_code x level x is_number.
-- Renewed: by UTC day.
with
-- the seven texts of the grain as one number: some hundred series meet in 64 bits by a chance of 1 in 10^14
told as not materialized (
    select
        *,
        xor(
            xor(xor(hash('m' || machine), hash('i' || item)), xor(hash('d' || data_item_id), hash('s' || sub_type))),
            xor(xor(hash('p' || path), hash('n' || native_code)), hash('l' || level))
        ) as series,
        epoch_us(occurred_at) as at_us,
        -- the clock of the book is UTC; a million days more, so that a day before 1970 ends where it does, too
        (epoch_us(occurred_at) + 86400000000000000) // 86400000000 - 1000000 as day,
        try_cast(value as double) as number,
        number is not null as is_number,
    from core.event
),

summed as (
    select
        series,
        day,
        is_number,
        count(*) as events,
        min(at_us) as first_us,
        max(at_us) as last_us,
        min(number) filter (isfinite(number)) as least,
        max(number) filter (isfinite(number)) as most,
        coalesce(bool_or(item = 'Execution' and value = 'PROGRAM_COMPLETED'), false) as tells_completion,
    from told
    group by series, day, is_number
),

last_rows as (
    select told.*, summed.* exclude (series, is_number, day)
    from told
    inner join summed
        on told.series = summed.series and told.at_us = summed.last_us and told.is_number = summed.is_number
    qualify row_number() over (
        partition by told.series, told.at_us, told.is_number order by told.file_id desc, told.row_number desc
    ) = 1
)

select
    machine,
    date '1970-01-01' + day::int as day_on,
    item,
    data_item_id,
    sub_type,
    path,
    native_code,
    level,
    is_number,
    events,
    make_timestamptz(first_us) as first_at,
    make_timestamptz(last_us) as last_at,
    least,
    most,
    tells_completion,
    value,
    text,
    occurrence,
    file_id,
    row_number,
    line,
from last_rows

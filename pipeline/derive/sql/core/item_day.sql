-- What each item of a machine said on a UTC day: how often, between when, the range of its numbers, and its last row,
-- apart for numbers and words and for each level of a condition. The last rows are what stood when the next day began.
-- Grain: machine x UTC day x item x data_item_id x sub_type x path x native_code x level x is_number.
-- Renewed: by UTC day.
with
told as (
    select
        *,
        occurred_at::date as day_on, -- the clock of the book is UTC
        try_cast(value as double) as number,
    from core.event
),

summed as (
    select
        machine,
        day_on,
        item,
        data_item_id,
        sub_type,
        path,
        native_code,
        level,
        number is not null as is_number,
        count(*) as events,
        min(occurred_at) as first_at,
        max(occurred_at) as last_at,
        min(number) filter (isfinite(number)) as least,
        max(number) filter (isfinite(number)) as most,
        coalesce(bool_or(item = 'Execution' and value = 'PROGRAM_COMPLETED'), false) as tells_completion,
        arg_max(
            {
                'value': value, 'text': text, 'occurrence': occurrence, 'file_id': file_id, 'row_number': row_number,
                'line': line
            },
            (occurred_at, file_id, row_number)
        ) as last_row,
    from told
    group by all
)

select
    * exclude (last_row),
    last_row.value,
    last_row.text,
    last_row.occurrence,
    last_row.file_id,
    last_row.row_number,
    last_row.line,
from summed

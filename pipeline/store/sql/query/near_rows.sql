-- Whether the book holds a row of some machines within the times of each, in microseconds since 1970.
-- Grain: one row
with reach as (
    select
        unnest($machines::varchar[]) as machine,
        unnest($firsts::bigint[]) as first_us,
        unnest($lasts::bigint[]) as last_us
)
select
    exists(
        select 1
        from core.@kind as stored
        inner join reach
            on stored.machine = reach.machine
            and epoch_us(stored.@first_time) between reach.first_us and reach.last_us
        where @near
    ) as is_near

-- The time line, with what run pieces tell of it.
select
    machine, epoch_us(started_at) as started_us, epoch_us(ended_at) as ended_us, state, planned, detail, feed_override,
from core.span

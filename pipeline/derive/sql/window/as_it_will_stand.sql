-- A relation as it will stand in the book, in the days or months at hand: what was derived now, and what stands around it.
-- Grain: as @relation.
from kept.@name
union all by name
select kept.*
from @book.@relation as kept
where
    -- said as plain values, so that blocks of other times need not be looked at
    @at < '@to_at'::timestamptz
    and @until >= '@from_at'::timestamptz
    and exists (
        select 1 from core.period as period
        where
            period.machine = kept.machine and @at < period.@looked_until and @until >= period.@looked_from
    )
    and not exists (
        select 1 from core.period as period
        where period.machine = kept.machine and @at >= period.keep_from_at and @at < period.keep_until_at
    )

-- Takes away what lies in none of the windows at hand: what was read around them, and what is known of other machines.
-- Grain: as @relation.
delete from @relation as kept
where
    not exists (
        select 1 from core.window as bounds
        where kept.machine = bounds.machine and @at >= bounds.keep_from_at and @at < bounds.keep_until_at
    )

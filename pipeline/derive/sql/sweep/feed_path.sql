-- The paths that tell of feeds.
select distinct coalesce(path, '') as path
from core.item_day
where item in ('PathFeedrate', 'PathFeedrateOverride')
order by path

-- Contested rows as they were, where their values change or nobody gives them any more.
-- Grain: accepted row
select @fields
from core.@kind
where rowid in (select stored_id from contested) and rowid not in (select stored_id from settled where not moved)

-- Contested rows as they were.
-- Grain: accepted row
delete from core.@kind where rowid in (select stored_id from contested)

-- Stored rows that give way to the file at hand.
-- Grain: accepted row
delete from core.@kind where rowid in (select stored_id from won)

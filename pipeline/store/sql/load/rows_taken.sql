-- Stored rows that will give way to the file at hand.
-- Grain: accepted row
select @fields from core.@kind where rowid in (select stored_id from won)

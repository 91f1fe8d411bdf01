-- A promoted version is no longer another version.
-- Grain: superseded version
delete from raw.superseded where rowid in (select superseded_id from heir where place = 1)

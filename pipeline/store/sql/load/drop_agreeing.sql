-- A version on record that becomes the accepted one is no longer another version.
-- Grain: superseded version
delete from raw.superseded
where rowid in (select superseded_id from agreeing where staged_wins)

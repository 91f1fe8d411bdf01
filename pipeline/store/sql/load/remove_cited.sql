-- Superseded versions that an earlier reading of the file gave.
-- Grain: superseded version
delete from raw.superseded where kind = '@kind' and file_id = $file_id

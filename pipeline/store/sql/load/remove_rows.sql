-- Accepted rows that an earlier reading of the file gave.
-- Grain: accepted row
delete from core.@kind where file_id = $file_id

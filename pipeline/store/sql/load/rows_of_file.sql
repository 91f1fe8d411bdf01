-- Rows of core.@kind that the file at hand holds.
-- Grain: accepted row
select @fields from core.@kind where file_id = $file_id

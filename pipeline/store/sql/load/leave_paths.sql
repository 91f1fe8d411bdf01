-- Nothing stands at these paths any more.
-- Grain: path x source file
update raw.source_path set stands = false where path in (select unnest($paths::varchar[])) and stands

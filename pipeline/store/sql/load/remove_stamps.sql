-- Stamps of paths that are stamped anew, or where nothing stands any more.
-- Grain: path
delete from raw.path_stamp where path in (select unnest($paths::varchar[]))

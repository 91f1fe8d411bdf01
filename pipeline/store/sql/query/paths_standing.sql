-- Paths at which a file stands.
-- Grain: path
select path from raw.source_path where stands order by path

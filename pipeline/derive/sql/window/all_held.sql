-- The names of all that stands in a database.
-- Grain: table or view.
select schema_name || '.' || name as name
from (
    select database_name, schema_name, table_name as name from duckdb_tables()
    union all
    select database_name, schema_name, view_name from duckdb_views() where not internal
)
where database_name = ? and schema_name in ('raw', 'core', 'mart')

-- Whether a name is that of a table or of a view.
-- Grain: table or view.
select kind
from (
    select 'table' as kind, database_name, schema_name, table_name as name from duckdb_tables()
    union all
    select 'view', database_name, schema_name, view_name from duckdb_views()
)
where database_name = ? and schema_name = ? and name = ?

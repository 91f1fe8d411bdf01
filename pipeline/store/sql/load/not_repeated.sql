-- How many stored facts of the file its new reading no longer says, or says otherwise.
-- Grain: one row
with due as (
    select row_json, occurrence
    from raw.superseded
    where kind = '@kind' and file_id = $file_id
)
select
    (
        select count(*)
        from (
            select @fields, occurrence from core.@kind where file_id = $file_id
            except
            select @fields, occurrence from staged_@kind
        )
    ) + (
        select count(*)
        from (
            select row_json::varchar, occurrence from due
            except
            select said_fields(@staged_row, tables.fields, [])::varchar, staged.occurrence
            from staged_@kind as staged
            inner join raw.source_table as tables
                on tables.kind = '@kind'
                and staged.file_id = tables.file_id
                and staged.row_number between tables.first_row and tables.last_row
            where exists (select * from due)
        )
    ) as facts

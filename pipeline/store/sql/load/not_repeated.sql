-- How many stored facts of the file its new reading no longer says, or says otherwise.
-- Grain: one row
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
            select row_json::varchar, occurrence
            from raw.superseded
            where kind = '@kind' and file_id = $file_id
            except
            select @staged_row::varchar, occurrence from staged_@kind as staged
        )
    ) as facts

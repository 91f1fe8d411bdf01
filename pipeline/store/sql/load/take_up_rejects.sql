-- Rejects of replaced files whose row stands at the same place of the new file and is accepted there: the same number of
-- cells, of which no more differ than had faults.
-- Grain: reject
update raw.reject
set taken_up_by = $file_id
where
    list_contains($replaced, file_id)
    and taken_up_by is null
    and (file_id, row_number) in (
        with faulty as (
            select file_id, row_number, any_value(raw) as raw, count(*) as faults
            from raw.reject
            where list_contains($replaced, file_id) and taken_up_by is null
            group by file_id, row_number
        ),
        torn as (
            select
                faulty.file_id,
                faulty.row_number,
                faulty.faults,
                string_split_regex(faulty.raw, '[;,\t|\x1f]') as cells_before,
                string_split_regex(staged.raw, '[;,\t|\x1f]') as cells_now
            from faulty
            inner join staged_@kind as staged on faulty.row_number = staged.row_number
        )
        select (file_id, row_number)
        from torn
        where
            len(cells_before) = len(cells_now)
            and faults >= len(list_filter(list_zip(cells_before, cells_now), lambda pair: pair[1] <> pair[2]))
    )

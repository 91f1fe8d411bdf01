-- Documents with a later observation of the same item and instant as one that came with the file at hand, or went with
-- its earlier reading: they are to be read again, for its count changes. Those that are gone keep their rows.
-- Grain: source file
with now_told as (
    select machine, data_item, occurred_at, code, instance, sequence
    from raw.sequence
    where file_id = $file_id
),
moved as (
    (from now_told except from sequence_before)
    union all
    (from sequence_before except from now_told)
),
others as (
    select file_id, machine, data_item, occurred_at, code, instance, sequence
    from raw.sequence
    semi join moved using (machine, data_item, occurred_at, code, instance)
    where
        file_id <> $file_id
        and occurred_at between (select min(occurred_at) from moved) and (select max(occurred_at) from moved)
),
news as (
    from moved
    anti join others using (machine, data_item, occurred_at, code, instance, sequence)
),
gone as (
    select file_id
    from raw.source_path
    group by file_id
    having not bool_or(stands)
),
renumbered as (
    select others.file_id
    from others
    inner join news using (machine, data_item, occurred_at, code, instance)
    where others.sequence > news.sequence
)
update raw.source_file
set stale = true
where file_id in (from renumbered) and file_id not in (from gone)
returning file_id

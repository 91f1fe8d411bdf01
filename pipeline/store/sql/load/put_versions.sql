-- Versions of contested facts that do not hold, and what they fill in.
-- Grain: superseded version
insert into raw.superseded by name
select
    '@kind' as kind,
    kept.file_id,
    kept.row_number,
    kept.line,
    kept.occurrence,
    kept.row_json,
    kept.raw,
    settled.file_id as winner_file_id,
    settled.row_number as winner_row_number,
    changed_fields(kept.row_json, settled.row_json) as changed,
    to_json(list_filter(
        json_keys(kept.row_json),
        lambda field:
            json_extract_string(kept.row_json, '$.' || field) is not null
            and not list_contains(kept.fields_above, field)
    )) as filled
from kept
inner join settled on kept.stored_id = settled.stored_id
where kept.place > 1

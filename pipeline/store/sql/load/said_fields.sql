-- What a row of a table says: its values, and its empty cells where the table has a column for them; nothing of the
-- fields that were filled in from elsewhere.
create or replace temp macro said_fields(whole, fields, filled) as
    to_json(map_from_entries(list_transform(
        list_filter(
            json_keys(whole),
            lambda field:
                (json_extract_string(whole, '$.' || field) is not null or list_contains(fields, field))
                and not list_contains(filled, field)
        ),
        lambda field: struct_pack(key := field, value := json_extract(whole, '$.' || field))
    )))

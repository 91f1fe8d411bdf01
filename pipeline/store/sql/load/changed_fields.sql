-- The fields that a version gives otherwise than the row that holds, as {field: [the version's value, what holds]}.
create or replace temp macro changed_fields(version, holding) as
    to_json(map_from_entries(list_transform(
        list_filter(
            json_keys(version),
            lambda field:
                json_extract_string(version, '$.' || field) is distinct from json_extract_string(holding, '$.' || field)
        ),
        lambda field: struct_pack(
            key := field,
            value := [json_extract(version, '$.' || field), json_extract(holding, '$.' || field)]
        )
    )))

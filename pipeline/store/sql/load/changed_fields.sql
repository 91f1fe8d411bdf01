-- The fields in which two versions of a row differ, as {field: [first version's value, second version's value]}.
create or replace temp macro changed_fields(one, other) as
    to_json(map_from_entries(list_transform(
        list_filter(
            json_keys(one),
            lambda field: json_extract(one, '$.' || field) is distinct from json_extract(other, '$.' || field)
        ),
        lambda field: struct_pack(
            key := field,
            value := [json_extract(one, '$.' || field), json_extract(other, '$.' || field)]
        )
    )))

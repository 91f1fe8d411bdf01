-- Other versions that a fact was given, cited from the highest file that gave them, linked to the row that holds.
-- Grain: fact x other version of it
create table if not exists raw.superseded (
    kind varchar not null,
    file_id varchar not null,
    row_number bigint not null,
    line bigint,
    occurrence bigint not null,
    row_json json not null,                -- the fields that the version gives, typed
    raw varchar,                           -- the row as it stood in the file; empty for events
    winner_file_id varchar not null,
    winner_row_number bigint not null,
    changed json not null,                 -- {column: [this version's value, the value that holds]}
    filled json not null                   -- [columns of the row that holds whose values come from this version]
);

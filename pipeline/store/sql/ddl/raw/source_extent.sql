-- What the rows that hold are, in short, so that nobody counts them anew: how many, from when to when, what they name.
-- Grain: source file x kind x machine
create table if not exists raw.source_extent (
    file_id varchar not null,
    kind varchar not null,
    machine varchar,                       -- empty for kinds and rows that name none
    rows bigint not null,
    executions bigint not null,            -- rows of the item Execution
    first_row bigint not null,
    last_row bigint not null,
    first_at timestamptz,
    last_at timestamptz,                   -- of cycles: when the last one began
    programs varchar[] not null,
    jobs varchar[] not null
);

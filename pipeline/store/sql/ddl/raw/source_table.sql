-- The fields that a table of a file has a column for: there an empty cell says "empty"; of other fields it says nothing.
-- Grain: source file x stretch of rows
create table if not exists raw.source_table (
    file_id varchar not null,
    kind varchar not null,
    first_row bigint not null,
    last_row bigint not null,
    fields varchar[] not null
);

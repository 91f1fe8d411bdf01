-- The text of each accepted row as it stood in its file, for the kinds that carry it (all but events).
-- Grain: row of core.<kind>
create table if not exists raw.source_row (
    file_id varchar not null,
    row_number bigint not null,
    raw varchar not null
);

-- Lines that are no rows: titles, units, repeated headers, totals.
-- Grain: source file x line
create table if not exists raw.skipped (
    file_id varchar not null,
    line bigint,
    why varchar not null,
    raw varchar
);

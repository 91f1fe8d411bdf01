-- Months whose figures were stated, with what they rested on. One that was opened again keeps its row.
-- Grain: month x freezing
create table if not exists raw.frozen_month (
    month varchar not null,
    frozen_at timestamptz not null,
    thawed_at timestamptz,                 -- empty while the statement stands
    files bigint not null,                 -- source files that the book held
    program varchar not null,              -- version of the program, and a hash of its relations
    settings json not null,                -- shop.toml as it was understood
    primary key (month, frozen_at)
);

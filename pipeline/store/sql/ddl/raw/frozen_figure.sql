-- Rows of marts as they were stated when their month was frozen. No later data changes them.
-- Grain: month x freezing x row of a mart
create table if not exists raw.frozen_figure (
    month varchar not null,
    frozen_at timestamptz not null,
    mart varchar not null,
    figures json not null                  -- {column: value}, every column that the mart had
);

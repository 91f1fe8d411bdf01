-- Rows of reports as they were stated when their month was frozen. No later data changes them.
-- Grain: month x freezing x row of a report
create table if not exists raw.frozen_figure (
    month varchar not null,
    frozen_at timestamptz not null,
    report varchar not null,
    figures json not null                  -- {column: value}, every column that the report had
);

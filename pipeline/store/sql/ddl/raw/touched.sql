-- UTC days of a machine whose facts changed since the marts were last derived. A cycle touches each day that it
-- reaches into, before and after a correction; facts without a day (job, estimate) touch with an empty one.
-- Grain: kind x machine x UTC day
create table if not exists raw.touched (
    kind varchar not null,
    machine varchar,
    day_on date
);

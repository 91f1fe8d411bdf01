-- Accepted cycles: one run of one program on one machine.
-- Grain: cycle
-- Identity: machine, program, start truncated to the second, occurrence
create table if not exists core.cycle (
    machine varchar not null,
    program varchar not null,
    started_at timestamptz not null,
    ended_at timestamptz not null,
    parts bigint,
    scrap bigint,
    outcome varchar,
    job varchar,
    operation varchar,
    revision varchar,
    operator varchar,
    occurrence bigint not null,
    file_id varchar not null,
    row_number bigint not null,
    line bigint
);

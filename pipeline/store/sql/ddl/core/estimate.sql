-- Accepted lines of estimates, times per cycle.
-- Grain: estimate line
-- Identity: job, program, operation, machine, tool, revision, occurrence
create table if not exists core.estimate (
    job varchar,
    program varchar,
    operation varchar not null,
    operation_kind varchar,
    machine varchar,
    material varchar,
    quantity bigint,
    parts_per_cycle bigint,
    tool varchar,
    tool_type varchar,
    cut_s double,
    noncut_s double,
    cycle_s double,
    load_s double,
    setup_s double,
    revision varchar,
    source varchar,
    occurrence bigint not null,
    file_id varchar not null,
    row_number bigint not null,
    line bigint
);

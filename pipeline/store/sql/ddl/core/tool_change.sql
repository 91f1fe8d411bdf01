-- Accepted tool changes.
-- Grain: tool change
-- Identity: machine, tool, time truncated to the second, occurrence
create table if not exists core.tool_change (
    machine varchar not null,
    occurred_at timestamptz not null,
    tool varchar not null,
    program varchar,
    pocket varchar,
    occurrence bigint not null,
    file_id varchar not null,
    row_number bigint not null,
    line bigint
);

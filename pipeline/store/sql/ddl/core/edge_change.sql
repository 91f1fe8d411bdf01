-- Accepted edge changes: a cutting edge or solid tool taken out and a fresh one put in.
-- Grain: edge change
-- Identity: machine, tool, time truncated to the second, occurrence
create table if not exists core.edge_change (
    machine varchar not null,
    occurred_at timestamptz not null,
    tool varchar not null,
    reason varchar not null,
    edge_cost double,
    insert_batch varchar,
    note varchar,
    occurrence bigint not null,
    file_id varchar not null,
    row_number bigint not null,
    line bigint
);

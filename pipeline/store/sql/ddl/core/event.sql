-- Accepted observations of machine controls. No constraint or index: bulk loading is hot, an audit holds the identity.
-- Grain: observation
-- Identity: machine, data_item_id or item, exact time, native_code, occurrence
create table if not exists core.event (
    machine varchar not null,
    occurred_at timestamptz not null,
    item varchar not null,
    value varchar,
    data_item_id varchar,
    sub_type varchar,
    path varchar,
    level varchar,
    native_code varchar,
    text varchar,
    ended_at timestamptz,
    end_within_s double,
    occurrence bigint not null,
    file_id varchar not null,
    row_number bigint not null,
    line bigint
);

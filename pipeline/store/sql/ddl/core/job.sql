-- Accepted orders of the order list.
-- Grain: order
-- Identity: job, ordered_on, occurrence
create table if not exists core.job (
    job varchar not null,
    part varchar not null,
    material varchar,
    quantity bigint not null,
    quoted_cycle_s double,
    quoted_setup_s double,
    stock_kg double,
    part_kg double,
    ordered_on date,
    occurrence bigint not null,
    file_id varchar not null,
    row_number bigint not null,
    line bigint
);

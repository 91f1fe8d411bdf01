-- Quotes that were given: what went in, what was said, and which factors it rested on. Nothing derives them anew.
-- Grain: quote x operation
create table if not exists raw.quote_given (
    quote_id varchar not null,
    line bigint not null,                  -- of the operation's first line in the file, from 0
    given_at timestamptz not null,
    file_name varchar not null,
    program_version varchar not null,      -- of spindlebook
    factors_version varchar not null,      -- hash of what the factors rested on
    job varchar,
    program varchar,
    operation varchar,
    machine varchar,
    material varchar,
    revision varchar,
    quantity bigint not null,
    estimate_s double,
    expected_cycle_s double,
    cycle_s_low double,
    cycle_s_high double,
    expected_setup_s double,
    expected_load_s double,
    batch_s double,
    batch_s_low double,
    batch_s_high double,
    total_cost_per_batch double,
    inputs json not null,                  -- the operation's lines as they were given
    quoted json not null,                  -- all figures of the operation
    primary key (quote_id, line)
);

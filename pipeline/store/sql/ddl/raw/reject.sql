-- Rows that failed a check, whole, with what to do about them. A row with two faults stands here twice.
-- Grain: source file x row x fault
create table if not exists raw.reject (
    file_id varchar not null,
    row_number bigint,
    line bigint,
    column_name varchar,
    value varchar,
    reason varchar not null,
    message varchar not null,
    raw varchar,
    taken_up_by varchar                    -- the file of a later export in which this row passed
);

-- Accepted rows that are to be read with care, and why: `ambiguous time` is a time that the clock showed twice, kept at
-- its first reading because nothing in the file decides.
-- Grain: source file x row x flag
create table if not exists raw.flag (
    file_id varchar not null,
    row_number bigint not null,
    line bigint,
    flag varchar not null
);

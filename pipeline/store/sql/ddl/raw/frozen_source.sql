-- Which files spoke of a machine in a month when that was frozen, so that a later difference can name its cause.
-- Grain: month x freezing x machine x source file x kind
create table if not exists raw.frozen_source (
    month varchar not null,
    frozen_at timestamptz not null,
    machine varchar not null,
    file_id varchar not null,
    kind varchar not null,
    rows bigint not null,                  -- that hold, or that say something else than the one that holds
    reading_fingerprint varchar not null   -- of the profile and settings that it was read with
);

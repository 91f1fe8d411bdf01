-- The numbers that agents gave their observations: they tell which of several of one item at one instant came first,
-- also where these stand in different documents.
-- Grain: source file x numbered observation
create table if not exists raw.sequence (
    file_id varchar not null,
    machine varchar not null,
    data_item varchar not null,
    occurred_at timestamptz not null,
    code varchar not null,
    instance varchar not null,             -- of the agent; a number of another instance is another observation
    sequence bigint not null
);

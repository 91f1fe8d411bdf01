-- What the book knows of itself: store version, key of the operator hashes, fingerprints of finished steps.
-- Grain: key
create table if not exists raw.book (
    key varchar primary key,
    value varchar not null
);

-- The three rooms of the book: what came in, what was accepted and derived, what is answered.
-- Grain: schema
create schema if not exists raw;
create schema if not exists core;
create schema if not exists mart;

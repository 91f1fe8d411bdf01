-- Two marts of former versions, which nothing makes or reads any more. Quotes ask what spreads rest on: all is derived
-- anew, and until then spreads rest on nothing.
-- Grain: none
drop table if exists mart.edge_outlook;
drop table if exists mart.quote_effect;
alter table if exists mart.quote_spread add column if not exists freedom bigint default 0;
delete from raw.book where key = 'derived_by';

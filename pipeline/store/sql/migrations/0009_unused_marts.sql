-- Two marts of former versions, which nothing makes or reads any more.
-- Grain: none
drop table if exists mart.edge_outlook;
drop table if exists mart.quote_effect;

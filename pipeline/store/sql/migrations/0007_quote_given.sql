-- Quotes that are given are kept. Their table is new and holds nothing yet: it comes with today's tables.
-- Grain: none
select 1;

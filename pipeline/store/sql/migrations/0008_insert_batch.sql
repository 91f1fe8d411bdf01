-- The batch that the inserts put in came from. Files that are read from now on may tell it.
-- Grain: edge change
alter table core.edge_change add column insert_batch varchar;

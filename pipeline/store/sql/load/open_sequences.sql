-- An empty table for the numbers that an agent gave the observations of one source file.
-- Grain: none yet
create or replace temp table staged_sequence (row_number bigint, instance varchar, sequence bigint)

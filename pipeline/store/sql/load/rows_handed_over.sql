-- Rows handed over as `chunk`.
-- Grain: row
select * from chunk

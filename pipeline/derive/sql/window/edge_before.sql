-- The edges as they were derived before.
-- Grain: edge.
select machine, tool, edge_number, start_us, removed_us from core.edge

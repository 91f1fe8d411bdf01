-- What controls say of the life of their tools' edges: counters (ToolLife) and states (CutterStatus).
-- Grain: observation.
-- Renewed: by window.
select machine, occurred_at as started_at, item, data_item_id, sub_type, value, file_id, row_number
from core.event
where item in ('ToolLife', 'CutterStatus')

-- Superseded versions whose link leads to no accepted row.
-- Grain: superseded version. Rows here mean a fault of ours.
with linked as (
    select kind, file_id, row_number, winner_file_id, winner_row_number
    from raw.superseded
    where $file_ids::varchar[] is null or list_contains($file_ids::varchar[], winner_file_id)
),
winner as (
    select distinct winner_file_id as file_id from linked
),
accepted as (
    select 'cycle' as kind, file_id, row_number from core.cycle semi join winner using (file_id)
    union all
    select 'tool_change', file_id, row_number from core.tool_change semi join winner using (file_id)
    union all
    select 'edge_change', file_id, row_number from core.edge_change semi join winner using (file_id)
    union all
    select 'event', file_id, row_number from core.event semi join winner using (file_id)
    union all
    select 'estimate', file_id, row_number from core.estimate semi join winner using (file_id)
    union all
    select 'job', file_id, row_number from core.job semi join winner using (file_id)
)
select linked.kind, linked.file_id, linked.row_number, linked.winner_file_id, linked.winner_row_number
from linked
anti join accepted
    on linked.kind = accepted.kind
    and linked.winner_file_id = accepted.file_id
    and linked.winner_row_number = accepted.row_number
order by linked.kind, linked.file_id, linked.row_number

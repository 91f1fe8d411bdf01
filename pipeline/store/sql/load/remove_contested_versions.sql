-- Other versions of contested facts.
-- Grain: superseded version
delete from raw.superseded
where
    kind = '@kind'
    and (winner_file_id, winner_row_number) in (select (rival_file_id, rival_row_number) from contested)

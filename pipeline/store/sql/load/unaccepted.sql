-- Staged rows that lost, or were settled with other versions of their facts.
-- Grain: staged row
create or replace temp table unaccepted as
select staged_id from matched where not staged_wins
union
select staged_id from contested

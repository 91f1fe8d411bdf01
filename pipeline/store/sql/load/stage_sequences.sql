-- Adds the numbers of one chunk of observations, handed over as `chunk`.
-- Grain: numbered observation
insert into staged_sequence by name
select row_number, instance, sequence from chunk

-- Stamps of the paths that files stand at. They are taken with the next run, which opens every file once more.
-- Grain: none; the table itself is made with the others.
select 1;

-- Which files give facts that another file overrules: the files to read again if that other one is withdrawn.
-- Grain: losing file x winning file
create table if not exists raw.overlap (
    loser_file_id varchar not null,
    winner_file_id varchar not null
);

-- Numbers of agents. Documents are read once more for theirs; those that are gone keep their rows.
-- Grain: source file; the table itself is made with the others.
update raw.source_file set stale = true where shape = 'streams xml' and status = 'loaded';

-- Takes away the lives of edges that count together with one that was added up anew.
delete from core.edge_life as kept
where
    (machine, tool) in (select (machine, tool) from core.edge_stale)
    or (life_machine, life_tool) in (
        select (edge.life_machine, edge.life_tool)
        from core.edge as edge
        semi join core.edge_stale using (machine, tool)
    )

-- Something that tells that cycles may belong elsewhere: orders that came in, estimates that hold otherwise than before.
-- Grain: change.
select kind from @book.raw.touched where kind in ('estimate', 'job')
union all
select 'estimate' from (from core.estimate_operation except from @book.core.estimate_operation)
union all
select 'estimate' from (from @book.core.estimate_operation except from core.estimate_operation)
union all
select 'estimate' from (from core.estimate_line except from @book.core.estimate_line)
union all
select 'estimate' from (from @book.core.estimate_line except from core.estimate_line)

-- Something that tells that cycles may belong elsewhere: orders that came in, estimates that hold otherwise than before.
-- Grain: change.
select 'job' as kind from (from core.job_order except from @book.core.job_order)
union all
select 'job' from (from @book.core.job_order except from core.job_order)
union all
select 'estimate' from (from core.estimate_operation except from @book.core.estimate_operation)
union all
select 'estimate' from (from @book.core.estimate_operation except from core.estimate_operation)
union all
select 'estimate' from (from core.estimate_line except from @book.core.estimate_line)
union all
select 'estimate' from (from @book.core.estimate_line except from core.estimate_line)

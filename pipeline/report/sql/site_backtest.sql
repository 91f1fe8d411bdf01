-- The newest quotes of past jobs that the page of trust lists, whole operations alone; the mart has all.
-- Grain: time_kind x job_key x operation x machine x program x revision.
select test.*
from mart.quote_backtest as test
where test.tool_type is null
qualify row_number() over (
    partition by test.time_kind
    order by test.first_at desc, test.job_key, test.operation, test.machine, test.program, test.revision
) <= 200
order by
    list_position(['cycle', 'cut', 'noncut', 'setup', 'load'], test.time_kind),
    test.first_at desc,
    test.job_key,
    test.operation,
    test.machine,
    test.program,
    test.revision

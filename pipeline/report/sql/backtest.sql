-- What a quote of each past job before its first month would have said, and what the job took.
-- Grain: time_kind x job_key x operation x machine x program x revision x tool_type.
select test.*
from mart.quote_backtest as test
where
    coalesce(test.machine = $machine, true)
    and ($job is null or $job in (test.job, test.part, test.job_key))
order by
    list_position(['cycle', 'cut', 'noncut', 'setup', 'load'], test.time_kind),
    test.first_at,
    test.job_key,
    test.operation,
    test.machine,
    test.program,
    test.revision,
    test.tool_type

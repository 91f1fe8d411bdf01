-- Correction factors for quoting; rows with empty keys are the whole shop.
-- Grain: machine x material x operation_kind x tool_type x time_kind.
select factor.*
from mart.quote_factor as factor
where coalesce(factor.machine = $machine, true)
order by factor.time_kind, factor.machine nulls first, factor.material, factor.operation_kind, factor.tool_type

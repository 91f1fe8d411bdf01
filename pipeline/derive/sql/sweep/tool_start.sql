-- From when on a tool was in the spindle, and when its change was over.
select machine, started_us as at_us, tool, changed_until_us > started_us as is_change from core.tool_stretch
union all
select machine, changed_until_us, tool, false
from core.tool_stretch
where changed_until_us > started_us and changed_until_us < coalesce(ended_us, 9223372036854775807)

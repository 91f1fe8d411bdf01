-- The batch that the first cycle of each window at hand belongs to, where the window does not begin with the machine.
-- Grain: machine.
select cut.machine, cut.started_at as from_at, cut.batch_id
from @book.core.cut as cut
inner join core.window as bounds on cut.machine = bounds.machine and cut.started_at = bounds.warm_from_at

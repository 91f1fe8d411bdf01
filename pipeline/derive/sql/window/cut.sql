-- Instants at which a machine's time can be cut in two.
-- Grain: cut.
select machine, epoch_us(started_at) as at_us from @book.core.cut order by machine, at_us

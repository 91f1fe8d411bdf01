-- What is known of the signs of life of machines of which only a window is looked at.
-- Grain: as core.sign_of_life.
select sign.machine, sign.is_active, sign.has_sign
from @book.core.sign_of_life as sign
inner join core.window as bounds using (machine)
where bounds.keep_from_at > '1900-01-01'::timestamptz or bounds.keep_until_at < '2200-01-01'::timestamptz

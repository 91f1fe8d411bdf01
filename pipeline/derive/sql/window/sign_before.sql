-- What was known of the signs of life of the machines at hand.
-- Grain: as core.sign_of_life.
select machine, is_active, has_sign from @book.core.sign_of_life semi join core.window using (machine)

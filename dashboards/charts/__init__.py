"""Charts: frames and scalars in, Altair charts out, one idea each. No HTML and no pages in here."""

"""The IANA time zones that this computer knows."""

from functools import cache
from zoneinfo import available_timezones


@cache
def known_zones() -> frozenset[str]:
    """Return the names of all time zones; to list them walks through a folder of the computer, so it is done once."""
    return frozenset(available_timezones())

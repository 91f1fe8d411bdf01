"""What the statistics refuse, as exceptions that a caller can tell apart.

They carry no wording for the shop floor: whoever knows the job or the tool turns them into a message.
"""

from __future__ import annotations


class StatisticsError(ValueError):
    """Anything that the statistics refuse."""


class TooFewFailures(StatisticsError):
    """There are too few ends of life, or too little scatter among them, to fit anything."""


class InvalidInput(StatisticsError):
    """The numbers cannot be what they are said to be: a negative life, a ratio of zero, arrays of unequal length."""

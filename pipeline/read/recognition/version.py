"""The version of recognition, which a run with nothing new asks for; it costs nothing to import."""

from __future__ import annotations

from typing import Final

VERSION: Final = 21
"""To be raised when recognition would read a file otherwise than before: files without a profile are then read anew."""

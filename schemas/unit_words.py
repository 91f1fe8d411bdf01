"""How units are spelled behind a number in a cell, in ten languages; each word belongs to one unit.

Units in the heads of columns are recognition's business; what a unit is worth stands in `profile.py`.
"""

from typing import Final

from schemas.words import plain

# Words of time. A day is no unit of a profile, but stands before hours in durations.
TIME_WORDS: Final[dict[str, tuple[str, ...]]] = {
    "d": (
        *("d", "day", "days", "Tag", "Tage", "Tagen", "jour", "jours", "día", "días", "dia", "dias", "giorno"),
        *("giorni", "dzień", "dni", "dag", "dagen", "den", "dny", "dnů", "dagar", "dygn"),
    ),
    "h": (
        *("h", "hr", "hrs", "hour", "hours", "Std", "Stde", "Stunde", "Stunden", "heure", "heures", "hora", "horas"),
        *("ora", "ore", "godz", "godzina", "godziny", "godzin", "uur", "uren", "hod", "hodina", "hodiny", "hodin"),
        *("tim", "timme", "timmar"),
    ),
    "min": (
        *("min", "mins", "minute", "minutes", "Minuten", "minuto", "minutos", "minuti", "minuta", "minuty", "minut"),
        *("minuut", "minuten", "minuter", "mn"),
    ),
    "s": (
        *("s", "sec", "secs", "second", "seconds", "Sek", "Sekunde", "Sekunden", "seconde", "secondes", "seg", "segs"),
        *("segundo", "segundos", "secondo", "secondi", "sekunda", "sekundy", "sekund", "seconden", "sekunder"),
    ),
    "ms": ("ms", "msec", "millisecond", "milliseconds", "Millisekunden"),
}
_OTHER_WORDS: Final[dict[str, tuple[str, ...]]] = {
    "kg": (
        "kg",
        "kgs",
        "kilo",
        "kilos",
        "kilogram",
        "kilograms",
        "Kilogramm",
        "kilogramme",
        "kilogramo",
        "chilogrammi",
    ),
    "g": ("g", "gr", "gram", "grams", "Gramm", "gramme", "grammes", "gramos", "gramas", "grammi"),
    "lb": ("lb", "lbs", "pound", "pounds"),
    "percent": ("%", "percent", "pct", "Prozent"),
    "mm": ("mm",),
    "in": ("in", "inch", "inches"),
    "mm/min": ("mm/min",),
    "rev/min": ("rpm", "rev/min", "1/min", "U/min", "tr/min"),
}


def _key(word: str) -> str:
    """Return a word as it is looked up: signs that `plain` would drop stand for themselves."""
    bare = word.strip().rstrip(".").strip()
    return bare.casefold() if "/" in bare or bare == "%" else plain(bare)


_UNIT_OF: Final = {
    _key(word): unit for words in (TIME_WORDS, _OTHER_WORDS) for unit, found in words.items() for word in found
}


def unit_behind(word: str) -> str | None:
    """Return the unit that a word behind a number means (`Std.` is h), None where it is none or means two.

    `m` alone is minutes or metres: it means nothing here. `d` is a day, which no profile takes as a unit.
    """
    return _UNIT_OF.get(_key(word))

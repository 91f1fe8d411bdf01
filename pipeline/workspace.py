"""A workspace: the folder with shop.toml, the book and the site. Knows where things are; opens none but shop.toml."""

from __future__ import annotations

import hashlib
import itertools
import json
import os
import re
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from zoneinfo import ZoneInfo

from pipeline.errors import ConfigError
from schemas.profile import Profile, load_profile
from schemas.shop import ShopFile, ShopSettings, load_shop
from schemas.toml_model import TomlError, parse
from schemas.zones import known_zones

SHOP_FILE = "shop.toml"
PROFILES = "profiles"
NO_PLACE = frozenset({"localtime", "Factory"})  # among Python's zones, but of no place: tables and the store know none


@dataclass(frozen=True)
class Workspace:
    """One shop, one folder."""

    folder: Path

    @property
    def shop_path(self) -> Path:
        return self.folder / SHOP_FILE

    @property
    def book_path(self) -> Path:
        return self.folder / "spindlebook.duckdb"

    @property
    def site_folder(self) -> Path:
        return self.folder / "site"

    @cached_property
    def shop(self) -> ShopFile:
        """shop.toml, or what is assumed without one.

        Raises ConfigError that names the line to mend.
        """
        if not self.shop_path.exists():
            return ShopFile(shop=ShopSettings(timezone=_computer_zone()))
        try:
            shop = load_shop(self.shop_path)
        except TomlError as error:
            raise ConfigError(str(error)) from None
        for zone in (shop.shop.timezone, *(source.timezone for source in shop.source)):
            if zone in NO_PLACE:
                raise ConfigError(
                    f'{self.shop_path}: timezone = "{zone}" names no place; write one like Europe/Lisbon.'
                )
        return shop

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What a reader of the figures must know of the shop file first."""
        if not self.shop_path.exists():
            return (
                f"There is no {SHOP_FILE} in the workspace: machines come from the data, the time zone is the "
                f"computer's ({self.shop.shop.timezone}), planned time is taken as 24 hours a day, and money columns "
                "are empty.",
            )
        notes = []
        if not self.shop.shift:
            notes.append(f"{SHOP_FILE} has no [[shift]]: planned time is taken as 24 hours a day.")
        if unpriced := [machine.id for machine in self.shop.machine if machine.rate_per_hour is None]:
            notes.append(f"No rate_per_hour for {', '.join(unpriced)}: money columns of these machines are empty.")
        return tuple(notes)

    def profile(self, name: str) -> Profile:
        """Return a profile by its path relative to shop.toml; raises ConfigError that names the line to mend."""
        try:
            return load_profile(self.folder / name)
        except TomlError as error:
            raise ConfigError(str(error)) from None

    def keep_profile(self, text: str, name: str, files: str) -> Path:
        """Write a profile into the workspace and tie files to it in shop.toml; return where it is.

        Raises ConfigError, with nothing written, where the profile or shop.toml would have to be mended by hand.
        """
        slug = re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-") or "profile"
        taken = {source.profile for source in self.shop.source if source.files != files}
        numbers = itertools.chain([""], (f"-{number}" for number in itertools.count(2)))
        places = (f"{PROFILES}/{slug}{number}.toml" for number in numbers)
        place = next(place for place in places if self._is_free(place, files, taken))
        shop = self.shop_path.read_text(encoding="utf-8-sig") if self.shop_path.exists() else ""
        entry = f"[[source]]\nfiles = {json.dumps(files, ensure_ascii=False)}\nprofile = {json.dumps(place)}\n"
        if any(source.files == files and source.profile == place for source in self.shop.source):
            tied = shop
        elif shop:
            tied = f"{shop.rstrip()}\n\n{entry}"
        else:
            tied = f"[shop]\ntimezone = {json.dumps(self.shop.shop.timezone)}\n\n{entry}"
        path = self.folder / place
        if path.exists() and path.read_text(encoding="utf-8") != text:
            raise ConfigError(
                f"{path} is kept already, and differs: mend that one, or delete it to have a new proposal."
            )
        try:
            parse(text, Profile, place)
            parse(tied, ShopFile, SHOP_FILE)
        except TomlError as error:
            raise ConfigError(f"{error}\nNothing was written.") from None
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        self.shop_path.write_text(tied, encoding="utf-8")
        return path

    def _is_free(self, place: str, files: str, taken: set[str | None]) -> bool:
        """Return whether a profile may be written at a place: nobody put one there for other files."""
        ours = any(source.files == files and source.profile == place for source in self.shop.source)
        return place not in taken and (ours or not (self.folder / place).exists())

    def settings_fingerprint(self) -> str:
        """Return a hash of shop.toml and of every profile that it names."""
        names = [SHOP_FILE, *sorted({source.profile for source in self.shop.source if source.profile})]
        digest = hashlib.sha256()
        for name in names:
            path = self.folder / name
            digest.update(name.encode() + b"\0" + (path.read_bytes() if path.exists() else b"") + b"\0")
        digest.update(self.shop.shop.timezone.encode())
        return digest.hexdigest()


def _computer_zone() -> str:
    """Return the computer's IANA time zone, UTC where it does not say."""
    named = os.environ.get("TZ", "").lstrip(":")
    zones = known_zones() - NO_PLACE
    if named in zones:
        return named
    link = Path("/etc/localtime")
    parts = link.resolve().parts if link.is_symlink() else ()
    if "zoneinfo" in parts:
        zone = "/".join(parts[parts.index("zoneinfo") + 1 :])
        if zone in zones:
            return ZoneInfo(zone).key
    return "UTC"

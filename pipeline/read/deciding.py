"""What decides how a file is read, as a hash: a file whose hash is as it was need not be read again.

It opens no file: profiles and devices documents are in the settings already.
"""

from __future__ import annotations

import hashlib
from functools import cached_property

from pipeline.read.devices_xml import DevicesInScope
from pipeline.read.recognition.version import VERSION
from pipeline.read.rows import STREAMS
from pipeline.read.settings import ReadSettings, SourceRule, source_rule


class Deciding:
    """The reading fingerprints of files under some settings; files that the same things decide on share one."""

    def __init__(self, settings: ReadSettings) -> None:
        self._settings = settings
        self._devices = DevicesInScope(settings.devices)
        self._made: dict[tuple[str, str, bool], str] = {}

    def fingerprint(self, path: str, shape: str, *, refused: bool = False) -> str:
        """Return a hash of what decides how a file is read: profile, [[source]] entry, the shop's zone, the limits.

        Without a profile, the machines of shop.toml and its currency decide too. What the book knows may only make a
        file sure that was `refused`, so that the order of files is no matter. Devices documents decide how streams are
        read.
        """
        rule = source_rule(path, self._settings.sources)
        devices = self._devices.digest(path) if shape in STREAMS else ""
        made = (rule.files, devices, refused)
        if made not in self._made:
            self._made[made] = self._fingerprint(rule, devices, self._known if refused else ())
        return self._made[made]

    @cached_property
    def _known(self) -> tuple[list[str], ...]:
        knows = self._settings
        heads = [repr(item) for item in sorted(knows.heads.items(), key=lambda item: item[0])]
        return sorted(knows.programs), sorted(knows.jobs), sorted(knows.machines_seen), heads

    def _fingerprint(self, rule: SourceRule, devices: str, known: tuple[list[str], ...]) -> str:
        shop = self._settings
        profile = rule.profile.model_dump_json() if rule.profile else _unprofiled(shop)
        limits = shop.limits.model_dump_json()
        decides = (shop.zone, shop.record_operators, rule.timezone, rule.machine, profile, limits, known, devices)
        return hashlib.sha256(repr(decides).encode()).hexdigest()


def _unprofiled(shop: ReadSettings) -> str:
    """Return what decides how a file without a profile is read, beside what it says itself."""
    return repr((VERSION, sorted(shop.machines.items()), shop.currency))

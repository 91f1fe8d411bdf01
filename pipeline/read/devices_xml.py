"""MTConnectDevices documents: what the items of each device are, and which document counts for which stream.

A document counts for the streams in its folder and in the folders below it; of several that know a device the nearest
folder upward is taken, in it the first by what they say. It reads no observations.
"""

from __future__ import annotations

import gzip
import hashlib
import os
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property, partial
from pathlib import Path
from typing import Any, BinaryIO, Final, cast

from pipeline.read.events import FEED_ITEMS, STREAM_FEED_FACTOR
from pipeline.read.files import PACKING_ERRORS, OpenedFile, UnpackError, open_source
from pipeline.workspace import SHOP_FILE
from schemas.profile import ItemRule, Profile
from schemas.shop import LimitSettings

MAX_DOCUMENT_BYTES: Final = 64 << 20
_XML_NAMES: Final = (".xml", ".xml.gz")
_HEAD_BYTES: Final = 1 << 14
_ROOT: Final = b"MTConnectDevices"
_SHARE_KNOWN: Final = 0.5  # of the items of a log that a device must have to be its device
_CAPITALS: Final = {"AC": "AC", "DC": "DC", "PH": "PH", "URI": "URI", "MTCONNECT": "MTConnect"}
_REPRESENTATIONS: Final = {"TIME_SERIES": "TimeSeries", "DATA_SET": "DataSet", "TABLE": "Table", "DISCRETE": "Discrete"}

# What one of a unit is worth in the unit of its dimension that documents have (UnitsTypeEnum and NativeUnitsTypeEnum of
# the standard's public schema file MTConnectDevices_1.3.xsd). Units with an offset (FAHRENHEIT) stay as they are.
_WORTH: Final[dict[str, tuple[str, float]]] = {
    "MILLIMETER": ("length", 1.0),
    "CENTIMETER": ("length", 10.0),
    "METER": ("length", 1000.0),
    "INCH": ("length", 25.4),
    "FOOT": ("length", 304.8),
    "DEGREE": ("angle", 1.0),
    "RADIAN": ("angle", 57.29577951308232),
    "REVOLUTION": ("turn", 1.0),
    "SECOND": ("time", 1.0),
    "MILLISECOND": ("time", 0.001),
    "MINUTE": ("time", 60.0),
    "HOUR": ("time", 3600.0),
    "PERCENT": ("share", 1.0),
    "KILOGRAM": ("mass", 1.0),
    "POUND": ("mass", 0.45359237),
    "NEWTON": ("force", 1.0),
    "NEWTON_METER": ("torque", 1.0),
    "WATT": ("power", 1.0),
    "KILOWATT": ("power", 1000.0),
    "AMPERE": ("current", 1.0),
    "VOLT": ("voltage", 1.0),
    "CELSIUS": ("temperature", 1.0),
    "PASCAL": ("pressure", 1.0),
}
_PER: Final = {"SECOND": 1.0, "MINUTE": 60.0, "HOUR": 3600.0}
# The rates of the standard are per second, save turns: REVOLUTION/MINUTE. Our feeds are per minute.
_RATES: Final = {"length": 1.0, "angle": 1.0, "turn": 60.0}
# The names of 1.1 for what the standard later gave items of their own.
_RENAMED: Final = {
    ("PathFeedrate", "OVERRIDE"): "PathFeedrateOverride",
    ("AxisFeedrate", "OVERRIDE"): "AxisFeedrateOverride",
    ("RotaryVelocity", "OVERRIDE"): "RotaryVelocityOverride",
    ("SpindleSpeed", "OVERRIDE"): "RotaryVelocityOverride",
}


@dataclass(frozen=True)
class DeviceItem:
    """One data item of a device, in the words of the book."""

    id: str
    name: str | None
    source: str | None
    item: str
    sub_type: str | None
    path: str | None
    factor_in_streams: float | None  # what one of its `units` is in ours; None: as the standard has it
    factor_in_text: float | None  # the same of its `nativeUnits`


@dataclass(frozen=True, eq=False)
class Device:
    """A device with its items by id."""

    name: str | None
    uuid: str | None
    items: Mapping[str, DeviceItem]

    @property
    def machine(self) -> str | None:
        """The name that its rows bear."""
        return self.name or self.uuid

    @cached_property
    def by_key(self) -> dict[str, DeviceItem]:
        """Items by each word that a log may call them by: the adapter's own key, the name, the id."""
        found: dict[str, DeviceItem] = {}
        for item in self.items.values():
            for key in (item.source, item.name, item.id):
                if key:
                    found.setdefault(key, item)
        return found

    @cached_property
    def digest(self) -> str:
        """A hash of all that decides how its streams are read; the document's own times do not count."""
        items = sorted(self.items.values(), key=lambda item: item.id)
        return hashlib.sha256(repr((self.name, self.uuid, items)).encode()).hexdigest()


@dataclass(frozen=True, eq=False)
class DevicesDocument:
    """A document's devices and the folder that it counts for (of a member of a zip: the zip, as if it were one)."""

    folder: str
    digest: str  # a hash of what its devices say
    load: Callable[[], tuple[Device, ...]]

    @classmethod
    def of(cls, folder: str, devices: tuple[Device, ...]) -> DevicesDocument:
        """Return the document of some devices."""
        said = "".join(sorted(device.digest for device in devices))
        return cls(folder, hashlib.sha256(said.encode()).hexdigest(), lambda: devices)

    @classmethod
    def remembered(cls, folder: str, digest: str, path: Path, limits: LimitSettings) -> DevicesDocument:
        """Return a document of which the digest is known; the file at `path` is read when a stream asks for its items.

        Where the document is no longer what it was, it has no devices: the digest of the next run tells, and the
        streams are read again.
        """

        def load() -> tuple[Device, ...]:
            found = (one for one in documents_at(path, limits) if (one.folder, one.digest) == (folder, digest))
            return next((one.devices for one in found), ())

        return cls(folder, digest, load)

    @cached_property
    def devices(self) -> tuple[Device, ...]:
        """Its devices, in the order of the document."""
        return self.load()


def in_scope(documents: Iterable[DevicesDocument], path: str) -> list[DevicesDocument]:
    """Return the documents that count for a file, the nearest folder first."""
    folders = {parent.as_posix(): near for near, parent in enumerate(_place(path).parents)}
    found = [document for document in documents if document.folder in folders]
    return sorted(found, key=lambda document: (folders[document.folder], document.digest))


def device_called(documents: Sequence[DevicesDocument], name: str | None, uuid: str | None) -> Device | None:
    """Return the nearest device with this uuid, else the nearest with this name."""
    devices = [device for document in documents for device in document.devices]
    same = [device for device in devices if uuid and device.uuid == uuid]
    return next(iter(same or [device for device in devices if name and device.name == name]), None)


def device_of_items(documents: Sequence[DevicesDocument], names: Iterable[str], machine: str | None) -> Device | None:
    """Return the device that most items of a log belong to; none where no device has half of them, or two as many.

    A machine that is named and is a device's name decides where that device knows any of the items.
    """
    wanted = set(names)
    for folder in dict.fromkeys(document.folder for document in documents):
        devices = {
            device.digest: device for document in documents if document.folder == folder for device in document.devices
        }
        known = [(len(wanted & device.by_key.keys()), device) for device in devices.values()]
        called = [device for count, device in known if count and machine and machine in (device.name, device.uuid)]
        most = max((count for count, _ in known), default=0)
        best = called or [device for count, device in known if count == most >= len(wanted) * _SHARE_KNOWN]
        if wanted and len(best) == 1:
            return best[0]
    return None


def text_rules(device: Device, profile: Profile | None) -> dict[str, ItemRule]:
    """Return rules for the items of a device's adapter text.

    What a profile says of an item holds; sub type, path and id that it leaves out come from the device, but where
    the profile lists the item under a type of its own.
    """
    said = {rule.name: rule for rule in profile.item} if profile else {}
    by_name = profile is not None and profile.item_id == "name"
    rules = dict(said)
    for key, item in device.by_key.items():
        own = said.get(key)
        if own is None:
            identity = item.name or item.id if by_name else item.id
            rules[key] = ItemRule.model_construct(
                name=key, type=item.item, sub_type=item.sub_type, path=item.path, data_item_id=identity, values={}
            )
        elif own.type == item.item:
            given = {"sub_type": own.sub_type or item.sub_type, "path": own.path or item.path}
            rules[key] = own.model_copy(update=given)
    return rules


def text_factors(device: Device, rules: Mapping[str, ItemRule]) -> dict[str, float]:
    """Return what one unit of each item's adapter text is in ours, where its rule names no unit."""
    return {
        key: item.factor_in_text
        for key, item in device.by_key.items()
        if item.factor_in_text is not None and rules[key].type == item.item and rules[key].unit is None
    }


def element_name(kind: str) -> str:
    """Return the standard's element for a type: PATH_FEEDRATE is PathFeedrate, AMPERAGE_AC is AmperageAC."""
    return "".join(_CAPITALS.get(part, part[:1] + part[1:].lower()) for part in kind.rpartition(":")[2].split("_"))


def book_words(element: str, sub_type: str | None, mark: str | None) -> tuple[str, str | None]:
    """Return item and sub type of an element as the book has them.

    A statistic (AVERAGE, MAXIMUM) or a counter that counts DOWN is part of the sub type: it is no plain reading.
    """
    if renamed := _RENAMED.get((element, sub_type or "")):
        return renamed, None
    if element == "SpindleSpeed":
        element = "RotaryVelocity"
    elif element != "PartCountDiscrete":  # whose values are no count: each says how many were made since the last
        element = element.removesuffix("Discrete")
    return element, ".".join(filter(None, (sub_type, mark if mark != "UP" else None))) or None


def find_devices(paths: Iterable[Path], limits: LimitSettings, roots: Sequence[str] = ()) -> list[DevicesDocument]:
    """Return the devices documents among some files and members of zips; what cannot be read is passed over."""
    candidates = {_place(path): path for path in paths if may_hold_devices(path.name)}.values()
    return [document for path in candidates for document in documents_at(path, limits, roots)]


def may_hold_devices(name: str) -> bool:
    """Return whether a file of this name is looked at for devices documents."""
    return name.lower().endswith((".zip", *_XML_NAMES))


def documents_at(path: Path, limits: LimitSettings, roots: Sequence[str] = ()) -> list[DevicesDocument]:
    """Return the devices documents in a file that may hold some; what cannot be read is passed over."""
    if path.name.lower().endswith(".zip"):
        members = [opened for opened in open_source(path, limits, roots) if isinstance(opened, OpenedFile)]
        streams = [(member.path, member.open) for member in members if member.path.lower().endswith(_XML_NAMES)]
    else:
        streams = [(path.as_posix(), partial(_plain, path))] if path.is_file() else []
    found = []
    for place, open_stream in streams:
        if devices := read_devices(_data_of(open_stream)):
            found.append(DevicesDocument.of(_place(place).parent.as_posix(), tuple(devices)))
    return found


class DevicesInScope:
    """What devices documents say of the streams at each path, as a hash; files of one folder share it."""

    def __init__(self, documents: Sequence[DevicesDocument]) -> None:
        self._documents = documents
        self._in_folder: dict[str, str] = {}
        folders = {Path(document.folder) for document in documents}
        self._around = {place.as_posix() for folder in folders for place in (folder, *folder.parents)}

    def digest(self, path: str) -> str:
        """Return a hash of all that documents may say of the streams in a file or zip; empty where none counts."""
        if not self._documents:
            return ""
        place = _place(path)
        if place.as_posix() in self._around:  # a zip with documents of its own
            return self._digest(place)
        folder = place.parent.as_posix()
        if folder not in self._in_folder:
            self._in_folder[folder] = self._digest(place)
        return self._in_folder[folder]

    def _digest(self, place: Path) -> str:
        inside = place.as_posix() + "/"
        inner = (one for one in self._documents if f"{one.folder}/".startswith(inside))
        found = [*in_scope(self._documents, place.as_posix()), *inner]
        return hashlib.sha256(" ".join(one.digest for one in found).encode()).hexdigest() if found else ""


def _place(path: str | Path) -> Path:
    """Return a path as it is told from the root, links left as they are."""
    return Path(os.path.normpath(Path(path).absolute()))


def documents_above(sources: Iterable[Path]) -> list[Path]:
    """Return the XML files in the folders above what the user named, up to a workspace: a part of it is read alike."""
    found: dict[Path, None] = {}
    for source in sources:
        for folder in _place(source).parents:
            with suppress(OSError):  # where nobody may look nothing counts
                found |= dict.fromkeys(path for path in sorted(folder.iterdir()) if path.name.endswith(_XML_NAMES))
            if (folder / SHOP_FILE).exists():
                break
    return list(found)


def _plain(path: Path) -> BinaryIO:
    return cast("BinaryIO", gzip.open(path)) if path.name.lower().endswith(".gz") else path.open("rb")


def _data_of(open_stream: Callable[[], BinaryIO]) -> bytes:
    """Return the bytes of a devices document; none of a file that is something else or cannot be read."""
    try:
        with open_stream() as stream:
            head = stream.read(_HEAD_BYTES)
            return head + stream.read(MAX_DOCUMENT_BYTES) if _ROOT in head.replace(b"\0", b"") else b""
    except (*PACKING_ERRORS, UnpackError):
        return b""


def read_devices(data: bytes) -> list[Device]:
    """Return the devices of a document; none where it is damaged or is something else."""
    from lxml import etree

    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False, remove_comments=True, remove_pis=True
    )
    try:
        root = etree.fromstring(data, parser)
    except (etree.XMLSyntaxError, ValueError):
        return []
    if _local(root) != _ROOT.decode():
        return []
    return [_device(element) for element in root.iter() if _local(element) == "Device"]


def _local(element: Any) -> str:
    return str(element.tag).rpartition("}")[2]


def _device(device: Any) -> Device:
    paths = [element for element in device.iter() if _local(element) == "Path"]
    names = [path.get("name") for path in paths]
    called = {
        path.get("id"): path.get("name") if path.get("name") and names.count(path.get("name")) == 1 else path.get("id")
        for path in paths
    }
    path_of = _component_paths(device, called)
    items = {}
    for element in device.iter():
        if _local(element) == "DataItem" and element.get("id") and element.get("type"):
            item = _item(element, path_of.get(_component(element)))
            items[item.id] = item
    return Device(device.get("name"), device.get("uuid"), items)


def _component(element: Any) -> Any:
    """Return the component that a data item belongs to."""
    parent = element.getparent()
    while parent is not None and _local(parent) in ("DataItems", "Components"):
        parent = parent.getparent()
    return parent


def _component_paths(device: Any, called: Mapping[str | None, str | None]) -> dict[Any, str]:
    """Return the path of each component that has one: the one it lies in, the one it is related to, the only one.

    Axes stand beside the paths, not in them. A rotary axis belongs to the only path where it is the device's only
    rotary axis; of several axes without a relationship nobody can say. Nor has an axis a path that it shares with
    another rotary axis: by their path a spindle is told from another, and each one's mode with it.
    """
    by_id = {element.get("id"): element for element in device.iter() if element.get("id")}
    related: dict[Any, set[str]] = {}
    for element in device.iter():
        if _local(element) != "ComponentRelationship":
            continue
        one, other = _owner(element), by_id.get(element.get("idRef"))
        for component, partner in ((one, other), (other, one)):
            if component is not None and partner is not None and _local(partner) == "Path" != _local(component):
                related.setdefault(component, set()).add(called[partner.get("id")] or "")
    rotary = [element for element in device.iter() if _local(element) == "Rotary"]
    if len(rotary) == 1 and len(called) == 1:
        related.setdefault(rotary[0], {name or "" for name in called.values()})
    found: dict[Any, str] = {}
    for element in device.iter():
        if _local(element) == "Path":
            found[element] = called[element.get("id")] or ""
        elif element in related:
            found[element] = next(iter(related[element])) if len(related[element]) == 1 else ""
        elif (above := found.get(element.getparent())) is not None:
            found[element] = above
    shared = Counter(found[element] for element in rotary if element in found)
    crowded = {element for element in rotary if shared[found.get(element, "")] > 1}
    return {element: path for element, path in found.items() if path and not crowded & {element, *_above(element)}}


def _above(element: Any) -> Iterator[Any]:
    while (element := element.getparent()) is not None:
        yield element


def _owner(relationship: Any) -> Any:
    """Return the component whose configuration a relationship stands in."""
    parent = relationship.getparent()
    while parent is not None and _local(parent) in ("Relationships", "Configuration"):
        parent = parent.getparent()
    return parent


def _item(element: Any, path: str | None) -> DeviceItem:
    category, kind = (element.get("category") or "").upper(), element.get("type")
    representation = (element.get("representation") or "").upper()
    sub_type = element.get("subType")
    if category == "CONDITION":
        item, sub_type = "Condition", kind
    else:
        element_said = element_name(kind) + _REPRESENTATIONS.get(representation, "")
        item, sub_type = book_words(element_said, sub_type, element.get("statistic"))
    source = next((child for child in element if _local(child) == "Source"), None)
    is_number = category == "SAMPLE" and representation in ("", "VALUE")
    units, native = (element.get(name) for name in ("units", "nativeUnits"))
    scale = _number(element.get("nativeScale")) or 1.0
    factor = unit_factor(units, item) if is_number else None
    in_text = unit_factor(native or units, item) if is_number else None
    usual = STREAM_FEED_FACTOR if item in FEED_ITEMS else 1.0
    scaled = in_text / scale if in_text is not None else None
    return DeviceItem(
        element.get("id"),
        element.get("name"),
        (source.text or "").strip() or None if source is not None else None,
        item,
        sub_type,
        path,
        None if factor == usual else factor,
        None if scaled == usual else scaled,
    )


def _number(text: str | None) -> float | None:
    try:
        return float(text) if text else None
    except ValueError:
        return None


def unit_factor(unit: str | None, item: str) -> float | None:
    """Return what one of a unit is in the unit in which the book has values of an item; None where it is not known."""
    if unit is None:
        return None
    above, _, below = unit.upper().partition("/")
    dimension, worth = _WORTH.get(above, ("", 0.0))
    if not dimension:
        return None
    if not below:
        return worth
    if below not in _PER or dimension not in _RATES:
        return None
    per = 60.0 if item in FEED_ITEMS else _RATES[dimension]
    return worth / _PER[below] * per

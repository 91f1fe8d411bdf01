"""The files that every page shares: the chart script (once for the whole site), our own script, styles and icon.

All of it ships with the packages, so that a site needs no other machine. It draws nothing itself.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Final

from pipeline import resources

STATIC: Final = ("site.css", "month.css", "sheet.css", "site.js", "icon.svg")
CHART_SCRIPT: Final = "charts.js"
EXPOSED: Final = "window.vegaEmbed = vegaEmbed;"


def write_assets(folder: Path, earlier: Path) -> list[Path]:
    """Write the shared files into `folder`; `earlier` is that of the last site, whose chart script may serve again."""
    folder.mkdir(parents=True)
    written = []
    for name in STATIC:
        target = folder / name
        target.write_text(resources.read_text("dashboards", "static", name), encoding="utf-8", newline="\n")
        written.append(target)
    script = folder / CHART_SCRIPT
    script.write_bytes(_chart_script(earlier / CHART_SCRIPT))
    return [*written, script]


def _chart_script(earlier: Path) -> bytes:
    """Return the chart script: the earlier one where it is whole and of this version, else a new one (about 1 s)."""
    from importlib.metadata import version

    import vl_convert

    converter = version("vl-convert-python")

    try:
        body = earlier.read_bytes()
    except OSError:
        body = b""
    first, _, rest = body.partition(b"\n")
    if first == _stamp(converter, rest):
        return body
    rest = vl_convert.javascript_bundle(EXPOSED).encode()
    return _stamp(converter, rest) + b"\n" + rest


def _stamp(version: str, script: bytes) -> bytes:
    return f"/* chart script, converter {version}, sha256 {hashlib.sha256(script).hexdigest()} */".encode()

"""What reading needs to know of a workspace and of what the user named, as settings. It opens no source file."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from pipeline.errors import InputError
from pipeline.read.devices_xml import documents_above, find_devices
from pipeline.read.files import Found, list_sources, real_paths
from pipeline.read.settings import ReadSettings, SourceRule
from pipeline.workspace import Workspace


def listed_files(sources: Iterable[Path]) -> list[Found]:
    """Return the files in what the user named.

    Raises
    ------
    InputError
        When one of the sources does not exist.
    """
    sources = list(sources)
    if missing := [str(source) for source in sources if not source.exists()]:
        raise InputError(f"There is no such file or folder: {', '.join(missing)}. Check the name and run again.")
    return list_sources(sources)


def settings_of(workspace: Workspace, operator_key: bytes, sources: Iterable[Path]) -> ReadSettings:
    """Return what reading needs of the workspace, and of what the user named."""
    shop = workspace.shop
    rules = [
        SourceRule(
            source.files,
            workspace.profile(source.profile) if source.profile else None,
            source.timezone,
            source.machine,
        )
        for source in shop.source
    ]
    return ReadSettings(
        zone=shop.shop.timezone,
        sources=rules,
        record_operators=shop.shop.record_operators,
        operator_key=operator_key,
        tool_change_s={m.id: m.tool_change_s for m in shop.machine if m.tool_change_s is not None},
        machines=_machine_names(workspace),
        limits=shop.limits,
        currency=shop.shop.currency,
        roots=real_paths(sources),
    )


def _machine_names(workspace: Workspace) -> dict[str, str]:
    """Return the ids of machines by id and by name, in small letters; a name that two machines bear is none."""
    machines = workspace.shop.machine
    names = [machine.name.casefold() for machine in machines if machine.name]
    by_name = {m.name.casefold(): m.id for m in machines if m.name and names.count(m.name.casefold()) == 1}
    return {**by_name, **{machine.id.casefold(): machine.id for machine in machines}}


def settings_for(workspace: Workspace, sources: Iterable[Path], paths: Iterable[Path]) -> ReadSettings:
    """Return settings for reading that stores nothing.

    The devices documents are those among the files, and in the folders above what the user named.
    """
    settings = settings_of(workspace, b"", sources)
    documents = find_devices([*paths, *documents_above(sources)], settings.limits, settings.roots)
    return replace(settings, devices=documents)

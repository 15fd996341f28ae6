"""Mappings on disk: those that people saved in a workspace, and those that are shipped."""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path
from typing import Any

from pipeline.landing.mapping import SHIPPED, Mapping, load_mapping
from pipeline.landing.workspace import Workspace
from shared.faults import CoverplateError
from shared.whole_file import appearing_whole


def list_mappings(workspace: Workspace) -> list[Mapping]:
    """Return the mappings saved in a workspace, by name.

    Raises:
        CoverplateError: some of them are faulty; the faults of all are named.
    """
    return _load_all(workspace.mappings)


def shipped_mappings() -> list[Mapping]:
    """Return the mappings that come with Coverplate, by name."""
    return _load_all(SHIPPED)


def all_mappings(workspace: Workspace) -> list[Mapping]:
    """Return saved mappings, then those shipped ones that no saved one replaces by name."""
    saved = list_mappings(workspace)
    names = {mapping.name for mapping in saved}
    return saved + [mapping for mapping in shipped_mappings() if mapping.name not in names]


def find_mapping(workspace: Workspace, name: str) -> Mapping:
    """Return the mapping of that name.

    Raises:
        CoverplateError: there is none; the message lists those that exist.
    """
    known = {mapping.name: mapping for mapping in all_mappings(workspace)}
    if name not in known:
        raise CoverplateError(
            f"no mapping is named {name!r}",
            expected=f"one of {', '.join(sorted(known))}" if known else "a saved mapping",
            to_do="run `coverplate mapping list`, or write one with "
            "`coverplate mapping propose FILE --save NAME`",
        )
    return known[name]


def save_mapping(workspace: Workspace, mapping: Mapping, *, replace: bool = False) -> Path:
    """Save a mapping in the workspace as TOML and return the file.

    Raises:
        CoverplateError: one of that name is there already and ``replace`` is not set.
    """
    workspace.create()
    path = workspace.mappings / f"{mapping.name}.toml"
    if path.exists() and not replace:
        raise CoverplateError(
            f"a mapping named {mapping.name!r} is saved already",
            to_do="choose another name, or remove " + str(path),
        )
    with appearing_whole(path) as partial:
        partial.write_text(as_toml(mapping), encoding="utf-8")
    return path


@lru_cache(maxsize=512)
def _loaded(path: Path, changed: int, size: int) -> Mapping:
    """A mapping file, read once for as long as it is not changed."""
    return load_mapping(path)


def _load_all(folder: Path) -> list[Mapping]:
    mappings, faults = [], []
    for path in sorted(folder.glob("*.toml")):
        try:
            state = path.stat()
            mapping = _loaded(path, state.st_mtime_ns, state.st_size)
        except CoverplateError as fault:
            faults.append(str(fault))
            continue
        if mapping.name != path.stem:
            faults.append(f"{path}: name is {mapping.name!r} but the file's is {path.stem!r}")
        mappings.append(mapping)
    if faults:
        raise CoverplateError(
            "\n".join(faults), to_do="correct these files or move them out of the folder"
        )
    return mappings


def as_toml(mapping: Mapping) -> str:
    """Write a mapping as TOML that a person can edit; reading it again gives the same mapping."""
    content = mapping.model_dump(mode="json", by_alias=True, exclude_defaults=True)
    records = content.pop("records")
    status_dates = content.pop("status_dates", [])
    lines = [f"{key} = {toml_value(value)}" for key, value in content.items()]
    for record in records:
        lines += ["", "[[records]]", f"kind = {toml_value(record['kind'])}"]
        lines += [
            f"{key} = {toml_value(record[key])}"
            for key in ("grade_scale", "filled", "finding")
            if key in record
        ]
        for name, spec in record["columns"].items():
            lines += ["", f"[records.columns.{name}]"]
            lines += [f"{key} = {toml_value(value)}" for key, value in spec.items()]
    for rule in status_dates:
        lines += ["", "[[status_dates]]", *(f"{key} = {toml_value(v)}" for key, v in rule.items())]
    return "\n".join(lines) + "\n"


def toml_value(value: Any) -> str:  # noqa: ANN401 - any JSON value
    """Write a JSON value as TOML."""
    if isinstance(value, dict):
        pairs = ", ".join(f"{_key(key)} = {toml_value(item)}" for key, item in value.items())
        return f"{{ {pairs} }}" if pairs else "{}"
    if isinstance(value, list):
        return f"[{', '.join(map(toml_value, value))}]"
    # a JSON string is a TOML basic string; numbers and booleans are spelt alike
    return json.dumps(value, ensure_ascii=False)


def _key(key: str) -> str:
    plain = key.isascii() and key.replace("_", "").replace("-", "").isalnum()
    return key if plain else json.dumps(key, ensure_ascii=False)

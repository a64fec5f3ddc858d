"""Reads ``grammars/`` into the catalogue; every complaint names file, line and item."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, TypeAdapter, ValidationError

from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue, CheckRules, Item, Region, Scale, Site, Source
from dictate.exam.expansion import ExpansionError, parse_expansion
from dictate.exam.location import grammars_folder

_Loader: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_Model = TypeVar("_Model")
_LARGEST_FILE = 2_000_000  # bytes; the largest own file is under a tenth of this


def load_catalogue(folder: Path | None = None, cache: Path | None = None) -> Catalogue:
    """Read the exam data.

    Args:
        folder: where the data lies; the installed ``grammars/`` by default.
        cache: folder for the parsed form, keyed by the content's hash; None keeps none.

    Raises:
        UserFault: a file is missing, is not YAML, or does not fit the models; the
            sentence names the file, the line and the item.
    """
    folder = folder or grammars_folder()
    version = content_hash(folder)
    kept = cache / f"catalogue-{version[:20]}.json" if cache else None
    if kept is not None and kept.is_file():
        try:
            return Catalogue.model_validate_json(kept.read_bytes())
        except (ValidationError, OSError):
            kept.unlink(missing_ok=True)
    catalogue = _read_all(folder, version)
    if kept is not None:
        _keep(kept, catalogue)
    return catalogue


def content_hash(folder: Path) -> str:
    """SHA-256 over the names and bytes of every YAML file below ``folder``."""
    digest = hashlib.sha256(b"catalogue 1")
    for path in sorted(folder.rglob("*.yaml")):
        digest.update(path.relative_to(folder).as_posix().encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()


def _keep(path: Path, catalogue: Catalogue) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        partial = path.with_suffix(f".{path.parent.stat().st_ino}.part")
        partial.write_text(catalogue.model_dump_json(), encoding="utf-8")
        partial.replace(path)
    except OSError:
        return  # a cache that cannot be written costs time, nothing else


def _read_all(folder: Path, version: str) -> Catalogue:
    sources = read_yaml(folder / "sources.yaml", TypeAdapter(dict[str, Source]))
    scales = read_yaml(folder / "scales.yaml", TypeAdapter(dict[str, Scale]))
    sites = read_yaml(folder / "sites.yaml", TypeAdapter(dict[str, tuple[Site, ...]]))
    checks = read_yaml(folder / "checks.yaml", TypeAdapter(CheckRules))
    regions = []
    paths = sorted((folder / "regions").glob("*.yaml"))
    if not paths:
        raise UserFault(f"No exam regions were found in {folder / 'regions'}.")
    for path in paths:
        region = read_yaml(path, TypeAdapter(Region))
        check_region(path, region, sources, scales, sites)
        regions.append(region)
    regions.sort(key=lambda region: (region.order, region.region))
    return Catalogue(
        regions=tuple(regions),
        sites=sites,
        scales=scales,
        sources=sources,
        checks=checks,
        version=version,
    )


def read_yaml(path: Path, adapter: TypeAdapter[_Model]) -> _Model:
    """Read one YAML file and check it.

    Raises:
        UserFault: naming the file, the line and what is wrong there.
    """
    try:
        if path.stat().st_size > _LARGEST_FILE:
            raise UserFault(f"{path} is larger than any exam file should be; check the path.")
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise UserFault(f"{path} cannot be read: {error.strerror}.") from error
    except UnicodeDecodeError as error:
        raise UserFault(f"{path} is not a text file in UTF-8; save it again as UTF-8.") from error
    node = _compose(path, text)
    data = _plain(path, node)
    try:
        return adapter.validate_python(data)
    except ValidationError as error:
        first = error.errors()[0]
        line, named = _place(node, first["loc"])
        within = f", item '{named}'" if named else ""
        key = ".".join(str(step) for step in first["loc"] if isinstance(step, str))
        raise UserFault(f"{path}, line {line}{within}: {key}: {first['msg']}.") from error


def _compose(path: Path, text: str) -> yaml.Node:
    try:
        for event in yaml.parse(text, Loader=_Loader):
            tag = getattr(event, "tag", None)
            if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
                where = _line(event)
                raise UserFault(f"{path}, line {where}: anchors and aliases are not allowed here.")
            if tag is not None and not str(tag).startswith("tag:yaml.org,2002:"):
                where = _line(event)
                raise UserFault(f"{path}, line {where}: the tag '{tag}' is not allowed here.")
        node = yaml.compose(text, Loader=_Loader)
    except yaml.MarkedYAMLError as error:
        line = error.problem_mark.line + 1 if error.problem_mark else 1
        raise UserFault(
            f"{path}, line {line}: this is not valid YAML ({error.problem})."
        ) from error
    except (yaml.YAMLError, RecursionError) as error:
        raise UserFault(f"{path} is not valid YAML.") from error
    if node is None:
        raise UserFault(f"{path} is empty.")
    return node


def _line(event: yaml.Event) -> int:
    return event.start_mark.line + 1 if event.start_mark else 1


def _plain(path: Path, node: yaml.Node) -> Any:
    """Turn nodes into plain values; 'yes', 'no', 'on' and 'off' stay words."""
    if isinstance(node, yaml.MappingNode):
        plain: dict[str, Any] = {}
        for key_node, value_node in node.value:
            key = str(key_node.value)
            if key in plain:
                line = key_node.start_mark.line + 1
                raise UserFault(f"{path}, line {line}: the key '{key}' is there twice.")
            plain[key] = _plain(path, value_node)
        return plain
    if isinstance(node, yaml.SequenceNode):
        return [_plain(path, inner) for inner in node.value]
    if node.tag.endswith(":bool") and node.value.lower() in ("true", "false"):
        return node.value.lower() == "true"
    if node.tag.endswith(":int"):
        return int(node.value) if node.value.lstrip("+-").isdigit() else node.value
    if node.tag.endswith(":float"):
        try:
            return float(node.value)
        except ValueError:
            return node.value
    if node.tag.endswith(":null"):
        return None
    return node.value


def _place(node: yaml.Node, loc: tuple[int | str, ...]) -> tuple[int, str]:
    """Find the line of a validation error and the id of the item around it."""
    line, named = node.start_mark.line + 1, ""
    for step in loc:
        if isinstance(node, yaml.MappingNode):
            found = [pair for pair in node.value if pair[0].value == str(step)]
            if not found:
                break
            key, node = found[0]
            line = key.start_mark.line + 1
        elif (
            isinstance(node, yaml.SequenceNode) and isinstance(step, int) and step < len(node.value)
        ):
            node = node.value[step]
            line = node.start_mark.line + 1
            if isinstance(node, yaml.MappingNode):
                named = next((v.value for k, v in node.value if k.value == "id"), named)
        else:
            break
    return line, named


def check_region(
    path: Path,
    region: Region,
    sources: dict[str, Source],
    scales: dict[str, Scale],
    sites: dict[str, tuple[Site, ...]],
) -> None:
    """Check what one region's items refer to: phrases, scales, sites, sources.

    Raises:
        UserFault: naming the file, the item and the reference that leads nowhere.
    """
    seen: set[str] = set()
    for item in region.items:
        where = f"{path}, item '{item.id}'"
        if item.id in seen:
            raise UserFault(f"{where}: the id is there twice.")
        seen.add(item.id)
        if item.scale is not None and item.scale not in scales:
            raise UserFault(f"{where}: scale '{item.scale}' is not in scales.yaml.")
        if item.sites is not None and item.sites not in sites:
            raise UserFault(f"{where}: site list '{item.sites}' is not in sites.yaml.")
        for source in _sources_of(item):
            if source not in sources:
                raise UserFault(f"{where}: source '{source}' is not in sources.yaml.")
        for phrase in phrases_of(item):
            try:
                parse_expansion(phrase, region.rules)
            except ExpansionError as error:
                raise UserFault(f"{where}: {error}.") from error


def phrases_of(item: Item) -> Iterator[str]:
    """Every phrase of the item, whatever it is for."""
    yield from item.names
    yield from item.performed
    yield from item.say_value
    for question in item.asked:
        yield from question.say
    for reading in item.readings:
        yield from reading.say


def _sources_of(item: Item) -> Iterator[str]:
    for ranges in (item.ranges, item.diastolic):
        for limits in (ranges.usual, ranges.plausible, *ranges.others):
            if limits is not None:
                yield limits.source
    if item.differs is not None:
        yield item.differs.source
    if item.source is not None:
        yield item.source


def as_json_schema(model: type[BaseModel]) -> dict[str, Any]:
    """The JSON Schema of one file kind, for editors that complete and check YAML."""
    return model.model_json_schema(mode="validation")

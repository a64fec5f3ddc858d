"""Reads ``grammars/`` into the catalogue; every complaint names file, line and item."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue, CheckRules, Item, Region, Scale, Site, Source
from dictate.exam.expansion import ExpansionError, parsed
from dictate.exam.location import grammars_folder

_Loader: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_Model = TypeVar("_Model")
_YAML_TAG = "tag:yaml.org,2002:"
_PLAIN_TAGS = frozenset({"str", "int", "float", "bool", "null", "map", "seq"})
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
    """SHA-256 over the names and bytes of every YAML file below ``folder``.

    The drawing of the body in ``figure/`` is left out: it says nothing about the exam.
    """
    digest = hashlib.sha256(b"catalogue 1")
    for path in sorted(folder.rglob("*.yaml")):
        if path.relative_to(folder).parts[0] == "figure":
            continue
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
        region, lines = read_with_lines(path, TypeAdapter(Region))
        check_region(lines, region, sources, scales, sites)
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
    return read_with_lines(path, adapter)[0]


@dataclass(frozen=True)
class Lines:
    """Where things stand in a YAML file, for complaints about what it refers to."""

    path: Path
    root: yaml.Node

    def fault(self, loc: tuple[int | str, ...], about: str, value: str | None = None) -> UserFault:
        """Word a complaint about what stands at ``loc``.

        Args:
            loc: keys and list places from the top of the file.
            about: what is wrong, without a full stop at the end.
            value: the text within ``loc`` that is at fault, to give its own line.
        """
        line, named, node = _place(self.root, loc)
        if value is not None:
            line = next((n.start_mark.line + 1 for n in _scalars(node) if n.value == value), line)
        within = f", item '{named}'" if named else ""
        return UserFault(f"{self.path}, line {line}{within}: {about}.")


def read_with_lines(path: Path, adapter: TypeAdapter[_Model]) -> tuple[_Model, Lines]:
    """Read one YAML file, check it, and keep where its lines are.

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
        return adapter.validate_python(data), Lines(path, node)
    except ValidationError as error:
        # A misspelled key tells more than the key that is then missing.
        errors = sorted(error.errors(), key=lambda one: one["type"] != "extra_forbidden")
        raise Lines(path, node).fault(errors[0]["loc"], _told(errors[0])) from error


def _compose(path: Path, text: str) -> yaml.Node:
    try:
        for event in yaml.parse(text, Loader=_Loader):
            tag = getattr(event, "tag", None)
            if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
                where = _line(event)
                raise UserFault(f"{path}, line {where}: anchors and aliases are not allowed here.")
            if tag is not None and str(tag).removeprefix(_YAML_TAG) not in _PLAIN_TAGS:
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
        digits = node.value.lstrip("+-")
        return int(node.value) if digits.isdecimal() and len(digits) < 100 else node.value
    if node.tag.endswith(":float"):
        try:
            return float(node.value)
        except ValueError:
            return node.value
    if node.tag.endswith(":null"):
        return None
    return node.value


def _told(error: ErrorDetails) -> str:
    """Word what is wrong with a value, with the keys that lead to it."""
    steps = [str(step) for step in error["loc"] if isinstance(step, str)]
    if error["type"] == "extra_forbidden":
        return f"'{steps[-1]}' is not a key here" if steps else "this is not a key here"
    if error["type"] == "missing":
        return f"the key '{steps[-1]}' is missing" if steps else "a key is missing"
    said = error["msg"].removeprefix("Value error, ")
    return f"{'.'.join(steps)}: {said}" if steps else said


def _scalars(node: yaml.Node) -> Iterator[yaml.ScalarNode]:
    if isinstance(node, yaml.ScalarNode):
        yield node
    elif isinstance(node, yaml.SequenceNode):
        for inner in node.value:
            yield from _scalars(inner)
    elif isinstance(node, yaml.MappingNode):
        for key, inner in node.value:
            yield from _scalars(key)
            yield from _scalars(inner)


def _place(node: yaml.Node, loc: tuple[int | str, ...]) -> tuple[int, str, yaml.Node]:
    """Find the line of a place, the id of the item around it, and the node there."""
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
    return line, named, node


def check_region(
    lines: Lines,
    region: Region,
    sources: Mapping[str, Source],
    scales: Mapping[str, Scale],
    sites: Mapping[str, tuple[Site, ...]],
    at: tuple[int | str, ...] = (),
) -> None:
    """Check what one region's items refer to: phrases, scales, sites, sources.

    Args:
        lines: the file that the region was read from.
        region: the region.
        sources: the sources that may be named.
        scales: the scales that may be named.
        sites: the site lists that may be named.
        at: where the region stands in the file; the top by default.

    Raises:
        UserFault: naming the file, the line, the item and the reference that leads nowhere.
    """
    for name, phrase in (
        *((None, phrase) for phrase in region.announced),
        *region.rules.items(),
    ):
        try:
            parsed(phrase, tuple(region.rules.items()))
        except ExpansionError as error:
            place = ("announced",) if name is None else ("rules", name)
            raise lines.fault((*at, *place), str(error), phrase) from error
    seen: set[str] = set()
    for number, item in enumerate(region.items):
        where = (*at, "items", number)
        if item.id in seen:
            raise lines.fault(where, "the id is there twice")
        seen.add(item.id)
        check_item(lines, item, where, region.rules, sources, scales, sites)
    for number, item in enumerate(region.items):
        if item.of is not None and item.of not in seen:
            what = f"'of: {item.of}' is no item of this region"
            raise lines.fault((*at, "items", number), what, item.of)
    grades = {item.id for item in region.items if item.kind == "grade"}
    for number, item in enumerate(region.items):
        if item.strength is not None and item.strength not in grades:
            what = f"strength '{item.strength}' is no item of this region with a grade"
            raise lines.fault((*at, "items", number), what, item.strength)


def check_item(
    lines: Lines,
    item: Item,
    at: tuple[int | str, ...],
    rules: Mapping[str, str],
    sources: Mapping[str, Source],
    scales: Mapping[str, Scale],
    sites: Mapping[str, tuple[Site, ...]],
) -> None:
    """Check what one item refers to; ``at`` is its place in the file of ``lines``.

    Raises:
        UserFault: naming the file, the line, the item and the reference that leads nowhere.
    """
    if item.scale is not None and item.scale not in scales:
        raise lines.fault(at, f"scale '{item.scale}' is not in scales.yaml", item.scale)
    if item.sites is not None and item.sites not in sites:
        raise lines.fault(at, f"site list '{item.sites}' is not in sites.yaml", item.sites)
    for source in sources_of(item):
        if source not in sources:
            raise lines.fault(at, f"source '{source}' is not in sources.yaml", source)
    for phrase in phrases_of(item):
        try:
            parsed(phrase, tuple(rules.items()))
        except ExpansionError as error:
            raise lines.fault(at, str(error), phrase) from error


def phrases_of(item: Item) -> Iterator[str]:
    """Every phrase of the item, whatever it is for."""
    yield from item.names
    yield from item.performed
    yield from item.say_value
    for question in item.asked:
        yield from question.say
    for reading in item.readings:
        yield from reading.say


def sources_of(item: Item) -> Iterator[str]:
    """Every source key that the item names."""
    for ranges in (item.ranges, item.diastolic):
        for limits in (ranges.usual, ranges.plausible, *ranges.others):
            if limits is not None:
                yield limits.source
    if item.differs is not None:
        yield item.differs.source
    if item.source is not None:
        yield item.source

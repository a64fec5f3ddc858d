"""Lists the licences of all dependencies from the metadata of the installed packages.

``python supply/licences.py`` prints the list, ``--write`` puts it at the end of the README.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path
from typing import Final, NamedTuple

from packaging.requirements import Requirement

README: Final = Path(__file__).resolve().parent.parent / "README.md"
BEGIN: Final = "<!-- licences: written by supply/licences.py -->"
END: Final = "<!-- licences end -->"

# What packages write in place of the SPDX name (spdx.org/licenses).
SPELLINGS: Final = {
    "3-clause bsd license": "BSD-3-Clause",
    "2-clause bsd": "BSD-2-Clause",
    "bsd 2-clause license": "BSD-2-Clause",
    "bsd 3-clause license": "BSD-3-Clause",
    "bsd license": "BSD",
    "bsd": "BSD",
    "mit license": "MIT",
    "the mit license": "MIT",
    "apache 2.0": "Apache-2.0",
    "apache license": "Apache-2.0",
    "apache software license": "Apache-2.0",
    "apache license 2.0": "Apache-2.0",
    "isc license": "ISC",
    "isc license (iscl)": "ISC",
    "mozilla public license 2.0 (mpl 2.0)": "MPL-2.0",
    "mozilla public license version 2.0": "MPL-2.0",
    "gnu library or lesser general public license (lgpl)": "LGPL",
    "python software foundation license": "PSF-2.0",
}
VAGUE: Final = re.compile(r"(unknown|dual license|copyright\b.*|license agreement\b.*|\W*)$", re.I)


class Licence(NamedTuple):
    """A package, what it is needed for and under what licence it comes."""

    name: str
    need: str
    licence: str


def licences() -> list[Licence]:
    """All dependencies that are installed: first those of the program, then extras, then tests."""
    found: dict[str, Licence] = {}
    extras = distribution("dictate").metadata.get_all("Provides-Extra") or []
    order = [("always", ""), *((one, one) for one in sorted(extras, key=lambda e: e == "test"))]
    for need, extra in order:
        for one in _closure("dictate", extra):
            name = _plain(one.metadata["Name"])
            if name != "dictate" and name not in found:
                found[name] = Licence(name, _need(need), _licence(one))
    return list(found.values())


def _need(extra: str) -> str:
    return {"always": "The program", "test": "Tests and checks only"}.get(extra, "Extras")


def _plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def _closure(root: str, extra: str) -> Iterator[Distribution]:
    waiting, seen = [(root, frozenset({extra}))], set()
    while waiting:
        name, extras = waiting.pop(0)
        if (name, extras) in seen:
            continue
        seen.add((name, extras))
        try:
            one = distribution(name)
        except PackageNotFoundError:
            continue
        yield one
        for text in one.requires or []:
            needed = Requirement(text)
            wanted = extras | {""}
            if needed.marker is None or any(needed.marker.evaluate({"extra": e}) for e in wanted):
                waiting.append((needed.name, frozenset(needed.extras)))


def _licence(one: Distribution) -> str:
    """The SPDX expression, else the classifier, else the field, else the licence file's title."""
    told = one.metadata.json.get("license_expression")
    if told:
        return str(told)
    field = str(one.metadata.json.get("license") or "").partition("\n")[0].strip()
    classes = [
        line.rpartition(" :: ")[2]
        for line in one.metadata.get_all("Classifier") or []
        if line.startswith("License ::") and not line.endswith("OSI Approved")
    ]
    named = [SPELLINGS.get(c.lower(), c) for c in classes]
    by_field = SPELLINGS.get(field.lower(), field)
    if not VAGUE.match(field) and len(field) < 40:
        # 'BSD' as a class leaves open which one; the field often says it.
        if not named or named == ["BSD"] or by_field.startswith(named[0]):
            return by_field
    if named:
        return " OR ".join(sorted(named))
    return _by_file(one) or "not stated"


def _by_file(one: Distribution) -> str:
    for path in one.files or []:
        if re.match(r"(?i)(licen[sc]e|copying)", path.name):
            text = Path(str(path.locate())).read_text("utf-8", "replace")[:2000].lower()
            for spelling, name in SPELLINGS.items():
                if len(spelling) > 4 and spelling in " ".join(text.split()):
                    return name
            if "permission is hereby granted, free of charge" in " ".join(text.split()):
                return "MIT"
    return ""


def text_of(listed: list[Licence]) -> str:
    """The list as Markdown: by need, then by licence, the most frequent first."""
    lines: list[str] = []
    for need in ("The program", "Extras", "Tests and checks only"):
        groups: dict[str, list[str]] = {}
        for one in listed:
            if one.need == need:
                groups.setdefault(one.licence, []).append(one.name)
        lines += ["", f"{need}:", ""]
        for licence, names in sorted(groups.items(), key=lambda g: (-len(g[1]), g[0])):
            lines.append(f"- {licence}: {', '.join(sorted(names))}")
    return "\n".join(lines[1:]) + "\n"


def main() -> None:
    """Print the list or write it into the README."""
    text = text_of(licences())
    if "--write" not in sys.argv[1:]:
        print(text, end="")
        return
    readme = README.read_text(encoding="utf-8")
    before, _, rest = readme.partition(BEGIN)
    _, _, after = rest.partition(END)
    if not rest:
        before = readme.rstrip("\n") + "\n\n## Licences of the dependencies\n\n"
    README.write_text(f"{before}{BEGIN}\n\n{text}\n{END}{after or chr(10)}", encoding="utf-8")


if __name__ == "__main__":
    main()

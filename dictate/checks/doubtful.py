"""Values that a person should confirm."""

from __future__ import annotations

from collections.abc import Iterator

from dictate.checks.flag import Flag
from dictate.checks.raising import raised
from dictate.checks.standing import Standing
from dictate.checks.wording import told, value_text


def check_doubtful(heard: Standing) -> Iterator[Flag]:
    """Ask for confirmation of every finding that carries a doubt."""
    for finding in heard.findings:
        if not finding.doubtful:
            continue
        item = heard.item(finding)
        others = [value_text(value, item, heard.catalogue) for value in finding.alternatives]
        because = "; ".join(doubt.strip().rstrip(".") for doubt in finding.doubts)
        sentence = f"Please confirm {told(finding, heard.catalogue)} ({because})."
        if others:
            sentence += f" It could also have been {' or '.join(others)}."
        yield raised(f"doubtful:{item.id}", "warning", sentence, [finding])

"""A small exam in a folder of its own, for tests that break it."""

from __future__ import annotations

from pathlib import Path

SOURCES = """\
book: {title: A book, body: A publisher, year: 2001}
practice: {title: Practice, body: the trade, kind: common practice}
"""
SCALES = "power: {title: Power, high: 5, usual: 5, out_of: [5], source: book}\n"
SITES = "zones: [{id: upper, title: upper, say: [upper]}]\n"
CHECKS = """\
conflicts:
  - {id: limp, first: "arm.look=normal", second: "arm.look=limp", sentence: Both, source: book}
order:
  - {id: first_look, first: arm.look, then: [arm.power, leg.girth], sentence: Late, source: book}
derived: []
"""
ARM = """\
region: arm
title: Arm
order: 10
announced: ["now the arm"]
rules:
  see: "(look | peek)"
items:
  - id: arm.look
    title: Look of the arm
    names: ["arm"]
    performed: ["<see> at your arm"]
    readings:
      - {code: normal, title: normal, status: normal, say: ["fine"]}
      - {code: limp, title: limp, status: abnormal, say: ["limp"]}
  - id: arm.power
    title: Power of the arm
    kind: grade
    scale: power
    sites: zones
    names: ["power"]
    performed: ["push up"]
"""
LEG = """\
region: leg
title: Leg
order: 20
items:
  - id: leg.girth
    title: Girth of the calf
    kind: quantity
    sides: paired
    unit: cm
    names: ["calf", "girth"]
    performed: ["tape round your calf"]
    ranges:
      usual: {low: 25, high: 50, source: practice}
      plausible: {low: 10, high: 90, source: book}
    differs: {by: 2, source: book}
  - id: leg.hair
    title: Hair of the leg
    default: false
    names: ["hair"]
    performed: ["hair on your leg"]
    readings:
      - {code: bald, title: bald, status: abnormal, say: ["bald"]}
"""


def write_exam(folder: Path) -> Path:
    """Write the small exam below ``folder``; return its path."""
    regions = folder / "regions"
    regions.mkdir(parents=True)
    for name, text in {
        "sources.yaml": SOURCES,
        "scales.yaml": SCALES,
        "sites.yaml": SITES,
        "checks.yaml": CHECKS,
        "regions/arm.yaml": ARM,
        "regions/leg.yaml": LEG,
    }.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder

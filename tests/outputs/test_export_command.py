"""The commands as a user calls them."""

from __future__ import annotations

import base64
import json
import stat
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from invented_session import invented_session
from typer.testing import CliRunner

from dictate.__main__ import app
from dictate.commands.export_data import FORMATS, export, load
from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.findings.finding import Quantity
from dictate.outputs.difference import difference
from dictate.outputs.fhir.validation import validate_file
from dictate.session.record import Session

TALK = """WEBVTT

00:01.000 --> 00:04.000
pulse seventy two and regular

00:05.000 --> 00:09.000
blood pressure on the right one thirty over eighty four

00:10.000 --> 00:13.000
temperature ninety eight point six
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("practice")
    (home / "talk.vtt").write_text(TALK)
    made = CliRunner().invoke(app, ["convert", str(home / "talk.vtt")])
    assert made.exit_code == 0, made.output
    return home / "talk.session"


def ran(*arguments: object, code: int = 0) -> str:
    made = CliRunner().invoke(app, [str(one) for one in arguments])
    assert made.exit_code == code, (made.output, made.exception)
    return made.output


def test_all_formats_are_written_for_the_owner_alone(folder: Path, tmp_path: Path) -> None:
    ran("export", folder, "-o", tmp_path / "out")
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert {
        "note.md", "note.html", "note.pdf", "note.docx", "findings.csv", "findings.parquet",
        "captions.vtt", "chapters.vtt", "fhir-bundle.json", "fhir-document.json",
    } <= names  # fmt: skip
    for path in (tmp_path / "out").iterdir():
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    files = sorted((tmp_path / "out").glob("fhir-*.json"))
    assert len(files) == 3 and ran("validate", *files).count(": sound") == 3


def test_redacted_export_leaves_out_what_was_said(folder: Path, tmp_path: Path) -> None:
    ran("export", folder, "--redact", "-o", tmp_path / "out")
    assert "captions.vtt" not in {path.name for path in (tmp_path / "out").iterdir()}
    for path in (tmp_path / "out").iterdir():
        assert b"seventy two" not in path.read_bytes()
    with pytest.raises(UserFault, match="leave them out"):
        export(
            folder, ["vtt"], out=tmp_path, style="terse", redact=True, templates=None, sound=None
        )


def test_sound_goes_into_bundles_where_it_is_asked_for(folder: Path, tmp_path: Path) -> None:
    sound = tmp_path / "talk.wav"
    soundfile.write(sound, np.zeros(16_000 * 14, dtype="int16"), 16_000)
    ran("export", folder, "fhir", "fhir-document", "--with-sound", "--sound", sound, "-o", tmp_path)
    for name in ("fhir-bundle.json", "fhir-document.json"):
        assert validate_file(tmp_path / name) == ()
        by_kind: dict[str, list[Any]] = {}
        for entry in json.loads((tmp_path / name).read_text())["entry"]:
            by_kind.setdefault(entry["resource"]["resourceType"], []).append(entry["resource"])
        (recording,) = by_kind["DocumentReference"]
        attached = recording["content"][0]["attachment"]
        assert attached["size"] == sound.stat().st_size
        assert attached["contentType"] == "audio/vnd.wave" and "data" not in attached
        clip = by_kind["Media"][0]
        assert base64.b64decode(clip["content"]["data"]).startswith(b"fLaC")
        named = [
            one["reference"]
            for seen in by_kind["Observation"]
            for one in seen.get("derivedFrom", [])
        ]
        assert all(f"urn:uuid:{one['id']}" in named for one in by_kind["Media"])
        (origin,) = by_kind["Provenance"]
        assert origin["entity"][0]["what"]["reference"] == f"urn:uuid:{recording['id']}"
        before, _, _ = load(folder)
        after, _, _ = load(tmp_path / name)
        assert after.findings == before.findings and after.info.sound_name == before.info.sound_name
    ran("export", folder, "fhir", "--with-sound", code=1)  # no recording beside it
    ran("export", folder, "fhir", "--with-sound", "--redact", "--sound", sound, code=1)
    ran("export", folder, "fhir", "-o", tmp_path)
    assert "DocumentReference" not in (tmp_path / "fhir-bundle.json").read_text()


def test_wrong_words_are_answered_in_a_sentence(folder: Path, tmp_path: Path) -> None:
    for formats, style, told in (
        (["word"], "terse", "no format 'word'"),
        (["pdf"], "long", "no style 'long'"),
        (["clips"], "terse", "not beside the session|no sound"),
    ):
        with pytest.raises(UserFault, match=told):
            export(
                folder, formats, out=tmp_path, style=style, redact=False, templates=None, sound=None
            )
    with pytest.raises(UserFault, match="does not exist"):
        load(tmp_path / "nowhere")
    assert "clips" in FORMATS


def test_validate_names_what_is_wrong(folder: Path, tmp_path: Path) -> None:
    bundle = json.loads((folder / "fhir-bundle.json").read_text())
    bundle["type"] = "pile"
    (tmp_path / "broken.json").write_text(json.dumps(bundle))
    assert "'pile'" in ran("validate", tmp_path / "broken.json", code=1)
    (tmp_path / "half.json").write_text('{"a":')
    both = ran("validate", tmp_path / "half.json", tmp_path / "broken.json", code=2)
    assert "'pile'" in both  # one that cannot be read does not keep the others from being told
    told = json.loads(ran("validate", "--json", tmp_path / "broken.json", code=1))
    assert told[str(tmp_path / "broken.json")][0]["severity"] == "error"


def test_a_bundle_is_imported_without_a_difference(folder: Path, tmp_path: Path) -> None:
    ran("export", folder, "fhir-document", "-o", tmp_path)
    ran("import", tmp_path / "fhir-document.json", "-o", tmp_path / "back")
    before, catalogue, _ = load(folder)
    after, _, head = load(tmp_path / "back")
    assert after.findings == before.findings and head is None
    assert after.flags == before.flags and after.derived == before.derived
    told = difference(before, after, catalogue)
    assert told.changes and all(one.kind == "same" for one in told.changes)
    assert "0 added, 0 removed, 0 changed" in ran("diff", folder, tmp_path / "back")


def test_difference_tells_each_change(session: Session, catalogue: Catalogue) -> None:
    findings = []
    for one in session.findings:
        if one.id == "f3":
            value = one.value
            assert isinstance(value, Quantity)
            one = one.model_copy(
                update={"value": value.model_copy(update={"number": value.number - 4})}
            )
        if one.id != "f8":
            findings.append(one)
    other = invented_session(findings=tuple(findings))
    kinds = {
        (change.item, change.place): (change.kind, change.first, change.second, change.step)
        for change in difference(session, other, catalogue).changes
        if change.kind != "same"
    }
    assert kinds == {
        ("vitals.pulse_rate", ""): ("changed", "72\u00a0/min", "68\u00a0/min", "−4\u00a0/min"),
        ("vitals.height", ""): ("removed", "175\u00a0cm", "", ""),
    }
    back = difference(other, session, catalogue)
    assert [one.kind for one in back.changes if one.kind != "same"] == ["changed", "added"]
    assert next(one.step for one in back.changes if one.step).startswith("+4")

"""Same input, same version, same bytes: whatever the locale, zone, hash, cores and folder."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.trust.running import dictate, talk_file

WORLDS: dict[str, tuple[tuple[str, ...], dict[str, str]]] = {
    "hash 1": ((), {"PYTHONHASHSEED": "1"}),
    "hash 4242, Tokyo": ((), {"PYTHONHASHSEED": "4242", "TZ": "Asia/Tokyo"}),
    "C locale, Honolulu": ((), {"LC_ALL": "C", "LANG": "C", "TZ": "Pacific/Honolulu"}),
    "Turkish": ((), {"LC_ALL": "tr_TR.UTF-8", "LANG": "tr_TR.UTF-8"}),
    "narrow terminal": ((), {"COLUMNS": "40", "TERM": "dumb", "NO_COLOR": "1"}),
    "one core": (("taskset", "1"), {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}),
}


def outputs(folder: Path) -> dict[str, bytes]:
    """Every output; the journal holds the time of writing and is left out."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.name != "journal.jsonl"
    }


@pytest.fixture(scope="module")
def usual(made: Path) -> dict[str, bytes]:
    return outputs(made)


@pytest.fixture(scope="module")
def exported(made: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Every output and every export that there is but clips."""
    folder = Path(shutil.copytree(made, tmp_path_factory.mktemp("exported") / "session"))
    done = dictate("export", folder)
    assert done.returncode == 0, done.stderr
    found = outputs(folder)
    assert {"export/note.pdf", "export/note.docx", "export/findings.parquet"} <= found.keys()
    return found


@pytest.mark.parametrize("world", WORLDS)
def test_a_journal_gives_the_same_bytes_everywhere(
    world: str, made: Path, exported: dict[str, bytes], tmp_path: Path
) -> None:
    before, environment = WORLDS[world]
    if before and shutil.which(before[0]) is None:
        pytest.skip("taskset is not installed")
    folder = tmp_path / "another place"
    folder.mkdir(mode=0o700)
    shutil.copy(made / "journal.jsonl", folder)
    for command in ("rebuild", "export"):
        done = dictate(command, folder, before=before, environment=environment, folder=tmp_path)
        assert done.returncode == 0, done.stderr
    here = outputs(folder)
    assert here.keys() == exported.keys()
    assert [name for name in here if here[name] != exported[name]] == []


def test_a_second_conversion_tells_the_same(
    made: Path, usual: dict[str, bytes], tmp_path: Path
) -> None:
    done = dictate(
        "convert",
        talk_file(tmp_path),
        "--out",
        tmp_path / "again",
        environment={"PYTHONHASHSEED": "77", "TZ": "America/Lima"},
    )
    assert done.returncode == 0, done.stderr
    again = outputs(tmp_path / "again")
    # The bundle names the journal's head, which hangs on the time of writing.
    assert again.keys() == usual.keys()
    differing = {name for name in usual if again[name] != usual[name]}
    assert differing <= {"fhir-bundle.json"}


@pytest.mark.slow
def test_sound_is_heard_the_same_twice(samples: Path, tmp_path: Path) -> None:
    found = []
    for number, environment in enumerate(({"PYTHONHASHSEED": "1"}, {"PYTHONHASHSEED": "2"})):
        out = tmp_path / str(number)
        environment |= {"OMP_NUM_THREADS": str(number + 1), "TZ": ("UTC", "Asia/Kolkata")[number]}
        done = dictate("convert", samples / "short.opus", "--out", out, environment=environment)
        assert done.returncode == 0, done.stderr
        found.append({n: c for n, c in outputs(out).items() if n != "fhir-bundle.json"})
    assert found[0] == found[1]

"""What comes from outside stays data: it writes, runs, links and swells nowhere.

The single guards have their own tests beside the modules; here the whole program is given
hostile files as a user would give them, and every output is looked at.
"""

from __future__ import annotations

import csv
import io
import json
import os
import stat
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import soundfile

from dictate.exam.catalogue import Catalogue
from dictate.session.private_files import FILE_MODE
from tests.trust.running import dictate, one_sentence, talk_file

# Model archives -----------------------------------------------------------------------------


def evil_zip(path: Path, kind: str) -> Path:
    entry = zipfile.ZipInfo("model/am/final.mdl")
    content = b"evil"
    if kind == "traversal":
        entry.filename = "../../evil"
    elif kind == "absolute":
        entry.filename = str(path.parent / "evil")
    elif kind == "backslashes":
        entry.filename = "..\\..\\evil"
    elif kind == "link":
        entry.external_attr = (stat.S_IFLNK | 0o777) << 16
        content = b"/etc/passwd"
    elif kind == "bomb":
        entry.compress_type = zipfile.ZIP_DEFLATED
        content = bytes(64 << 20)
    elif kind == "many files":
        with zipfile.ZipFile(path, "w") as packed:
            for number in range(6000):
                packed.writestr(f"model/{number}", b"")
        return path
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr(entry, content)
    if kind == "lying size":
        # The list of contents says 4 bytes, the stream holds far more.
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
            packed.writestr("model/am/final.mdl", bytes(1 << 20))
        raw = path.read_bytes()
        path.write_bytes(raw.replace((1 << 20).to_bytes(4, "little"), (4).to_bytes(4, "little")))
    return path


@pytest.mark.parametrize(
    "kind", ["traversal", "absolute", "backslashes", "link", "bomb", "many files", "lying size"]
)
def test_a_hostile_model_archive_leaves_nothing_behind(kind: str, tmp_path: Path) -> None:
    data = tmp_path / "data"
    data.mkdir()
    archive = evil_zip(tmp_path / "evil.zip", kind)
    environment = {"DICTATE_MODELS": str(data / "models"), "DICTATE_DATA": str(data)}
    environment |= {"HOME": str(data), "XDG_DATA_HOME": str(data)}
    one_sentence(dictate("models", "add", archive, environment=environment))
    assert [path.name for path in tmp_path.rglob("*") if "evil" in path.name] == ["evil.zip"]
    left = [path for path in data.rglob("*") if path.is_file() and ".cache" not in path.parts]
    assert left == []


# Course files ------------------------------------------------------------------------------

LAUGHS = "".join(
    f"l{n}: &l{n} [{', '.join([f'*l{n - 1}'] * 10) if n else 'ha'}]\n" for n in range(12)
)
HOSTILE_YAML = {
    "a tag that calls": "course: !!python/object/apply:os.system ['touch evil']\n",
    "a tag that makes": "course: !!python/object/new:os.PathLike {}\n",
    "a tag of one's own": "course: !evil x\n",
    "billion laughs": LAUGHS,
    "an alias to itself": "course: &a [*a]\n",
    "a merge": "base: &b {course: x}\n<<: *b\n",
    "deep lists": "course: " + "[" * 50_000,
    "deep maps": "course:\n" + "".join(f"{' ' * n}a:\n" for n in range(1, 1200)),
    "deep flow maps": "{a: " * 20_000 + "b" + "}" * 20_000,
    "a very long number": "course: " + "9" * 100_000 + "\n",
    "a number with many colons": "version: " + "1:" * 100_000 + "1\n",
    "a huge exponent": "version: 1e999999999\n",
    "two documents": "course: a\n---\ncourse: b\n",
    "a byte that is none": b"course: \xff\xfe\n",
    "control characters": "course: a\x07b\n",
    "nothing": "",
    "a large file": "# " + "x" * 3_000_000,
}


@pytest.mark.parametrize("kind", HOSTILE_YAML)
def test_a_hostile_course_file_is_one_sentence(kind: str, tmp_path: Path) -> None:
    course = tmp_path / "course.yaml"
    content = HOSTILE_YAML[kind]
    course.write_bytes(content if isinstance(content, bytes) else content.encode())
    done = dictate("grammar", "check", course, folder=tmp_path, seconds=240)
    assert len(one_sentence(done)) < 1000
    talk = talk_file(tmp_path)
    one_sentence(dictate("convert", talk, "--course", course, folder=tmp_path, seconds=240))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["course.yaml", "talk.txt"]


HOSTILE_TEMPLATES = {
    "classes": "{{ note.__class__.__mro__[-1].__subclasses__() }}",
    "classes by filter": "{{ note|attr('__class__') }}",
    "classes by format": "{{ '{0.__class__.__init__.__globals__}'.format(note) }}",
    "globals of a function": "{{ note.model_dump.__globals__ }}",
    "globals of the engine": "{{ self.__init__.__globals__ }}{{ cycler.__init__.__globals__ }}",
    "an import": "{{ ''.__class__.__base__.__subclasses__()[0].__import__('os') }}",
    "a file by its path": "{% include '/etc/passwd' %}",
    "a file by steps up": "{% include '../secret.txt' %}",
    "changing the note": "{{ note.__setattr__('session', 1) }}",
    "a very long text": "{{ 'x' * 10 ** 10 }}",
    "a very large number": "{{ 9 ** 9 ** 9 ** 9 }}",
    "a very long loop": "{% for a in range(10 ** 9) %}{% endfor %}",
    "a wide number": "{{ '%99999999999d' % 1 }}",
    "a wide column": "{{ 'x'.center(10 ** 11) }}{{ 'x'.ljust(10 ** 11) }}",
    "a wide filter": "{{ 'x'|center(10 ** 8) }}{{ 'x'|indent(10 ** 8, true) }}",
    "text in text": "{{ 'x'.__mul__(10 ** 9) }}",
    "endless recursion": "{% macro m() %}{{ m() }}{% endmacro %}{{ m() }}",
    "no end": "{% for x in note.regions %}",
}


@pytest.mark.parametrize("kind", HOSTILE_TEMPLATES)
def test_a_hostile_template_of_a_course_is_one_sentence(
    kind: str, made: Path, tmp_path: Path
) -> None:
    (tmp_path / "secret.txt").write_text("secret")
    templates = tmp_path / "templates"
    templates.mkdir()
    (templates / "note.html.j2").write_text(HOSTILE_TEMPLATES[kind])
    done = dictate(
        "export", made, "html", "--templates", templates, "--out", tmp_path / "out", seconds=240
    )
    one_sentence(done)
    assert not (tmp_path / "out").exists()


HOSTILE_TYPESETTING = {
    "a file by its path": '#read("/etc/passwd")',
    "a file by steps up": '#read("../../../../../etc/passwd")',
    "a package": '#import "@preview/example:0.1.0": add',
    "a program": '#plugin("/bin/true")',
    "no end": "#let x = (",
}


@pytest.mark.parametrize("kind", HOSTILE_TYPESETTING)
def test_a_hostile_typesetting_template_is_one_sentence(
    kind: str, made: Path, tmp_path: Path
) -> None:
    (tmp_path / "note.typ").write_text(HOSTILE_TYPESETTING[kind])
    out = tmp_path / "out"
    one_sentence(dictate("export", made, "pdf", "--templates", tmp_path, "--out", out))
    assert not out.exists()


# What is said ------------------------------------------------------------------------------

SCRIPT = "<script>alert(1)</script>"
IMAGE = "<img src=x onerror=alert(2)>"
FORMULA = '=HYPERLINK("x","y")'
TYPESET = '#read("/etc/passwd")'


def entity(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


HOSTILE_TALK = (
    "WEBVTT\n\n"
    f"00:01.000 --> 00:04.000\n{entity(FORMULA)} pulse seventy two {entity(SCRIPT)} and regular\n\n"
    f"00:05.000 --> 00:08.000\n<v {entity(IMAGE)}>scalp {entity(IMAGE)} clear, {TYPESET} no lumps\n\n"
    "00:09.000 --> 00:12.000\n<v +1+1>temperature thirty six point eight --&gt; ]]&gt; &amp;lt;b&amp;gt;\n\n"
    f"00:13.000 --> 00:16.000\n@SUM(A1) conjunctivae {entity(SCRIPT)} pink\n"
)


@pytest.fixture(scope="module")
def poisoned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session whose talk, file name, learner and consent hold script, formulas and markup."""
    place = tmp_path_factory.mktemp("poisoned")
    talk = place / f"{IMAGE.replace('/', '')}.vtt"
    talk.write_text(HOSTILE_TALK, encoding="utf-8")
    session = place / "session"
    who = ("--learner", SCRIPT, "--partner", FORMULA, "--consent", f"{IMAGE} {TYPESET}")
    done = dictate("convert", talk, "--out", session, *who)
    assert done.returncode == 0, done.stderr
    done = dictate("export", session, "--out", session / "export")
    assert done.returncode == 0, done.stderr
    return session


class Elements(HTMLParser):
    """The elements of a page, each with its attributes, and the text between them."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.found: list[tuple[str, dict[str, str]]] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, {name: value or "" for name, value in attrs}))

    def handle_data(self, data: str) -> None:
        self.text += data


def elements_of(page: str) -> Elements:
    parser = Elements()
    parser.feed(page)
    parser.close()
    return parser


def assert_harmless(page: str, told: bool = True) -> None:
    seen = elements_of(page)
    assert len(seen.found) > 10
    for tag, attributes in seen.found:
        assert tag not in ("script", "iframe", "object", "embed"), (tag, attributes)
        assert not [name for name in attributes if name.startswith("on")], (tag, attributes)
        assert not (tag == "img" and attributes.get("src") == "x")
        for name in ("href", "src", "action"):
            assert not attributes.get(name, "").strip().lower().startswith("javascript:")
    if told:
        assert SCRIPT in seen.text, "the words are not shown, so this shows nothing"


def test_the_search_for_scripts_finds_them() -> None:
    page = "<p>" * 11
    for bad in (SCRIPT, "<p onclick='x'>", "<a href=' JavaScript:x'>", IMAGE):
        with pytest.raises(AssertionError):
            assert_harmless(page + bad, told=False)


def test_heard_scripts_are_text_in_the_note(poisoned: Path) -> None:
    for page in (poisoned / "note.html", poisoned / "export" / "note.html"):
        assert_harmless(page.read_text(encoding="utf-8"))


def test_heard_scripts_are_text_in_the_note_read_as_markdown(poisoned: Path) -> None:
    from markdown_it import MarkdownIt

    page = MarkdownIt("commonmark", {"html": True}).render((poisoned / "note.md").read_text())
    assert_harmless(page)


def test_heard_scripts_are_text_in_the_narrative_of_the_bundle(poisoned: Path) -> None:
    for name in ("fhir-bundle.json", "export/fhir-document.json"):
        bundle = json.loads((poisoned / name).read_text(encoding="utf-8"))
        narratives = list(values_of(bundle, "div"))
        for div in narratives:
            ElementTree.fromstring(div)
            seen = elements_of(div)
            assert {tag for tag, _ in seen.found} <= {
                "div", "p", "b", "i", "em", "strong", "span", "br", "ul", "ol", "li", "table",
                "thead", "tbody", "tr", "th", "td", "caption", "h1", "h2", "h3",
            }  # fmt: skip
        assert narratives or name == "fhir-bundle.json"


def values_of(data: object, key: str) -> Iterator[str]:
    if isinstance(data, dict):
        for name, value in data.items():
            if name == key and isinstance(value, str):
                yield value
            yield from values_of(value, key)
    elif isinstance(data, list):
        for one in data:
            yield from values_of(one, key)


def test_heard_marks_stay_inside_their_caption(poisoned: Path) -> None:
    from dictate.recognition.timed_text import read_timed_text

    text = (poisoned / "captions.vtt").read_text(encoding="utf-8")
    assert "<script" not in text and "<img" not in text
    assert text.count(" --> ") == len(list(read_timed_text(poisoned / "captions.vtt")))
    assert SCRIPT in " ".join(
        word.text for phrase in read_timed_text(poisoned / "captions.vtt") for word in phrase.words
    )


def test_no_cell_of_any_table_begins_a_formula(poisoned: Path) -> None:
    tables = [*poisoned.rglob("*.csv")]
    assert len(tables) >= 6
    cells = 0
    for table in tables:
        for row in csv.reader(io.StringIO(table.read_text(encoding="utf-8-sig"))):
            for cell in row:
                cells += 1
                if cell.lstrip()[:1] in tuple("=+-@\t\r＝＋－＠"):
                    float(cell)  # nothing but a number
    assert cells > 500
    whole = (poisoned / "findings.csv").read_text(encoding="utf-8")
    assert "'@sum(a1" in whole, "no formula reached the table, so this shows nothing"


def test_heard_marks_are_text_in_the_documents(poisoned: Path) -> None:
    from pypdf import PdfReader

    pages = PdfReader(poisoned / "export" / "note.pdf").pages
    text = "".join("".join(page.extract_text() for page in pages).split())
    assert "<script>alert(1)</script>" in text
    assert '#read("/etc/passwd")' in text and "root:x:0" not in text
    assert not [a for page in pages for a in page.get("/Annots") or [] if "JavaScript" in str(a)]
    with zipfile.ZipFile(poisoned / "export" / "note.docx") as document:
        names = document.namelist()
        body = ElementTree.fromstring(document.read("word/document.xml"))
        links = [n for n in names if n.endswith(".rels")]
        assert not [n for n in links if b'TargetMode="External"' in document.read(n)]
    assert SCRIPT in "".join(body.itertext())
    fields = [e for e in body.iter() if e.tag.endswith(("}instrText", "}fldSimple"))]
    assert not [e for e in fields if "HYPERLINK" in str(e.text) or "HYPERLINK" in str(e.attrib)]


def test_a_hostile_name_writes_nowhere_else(poisoned: Path) -> None:
    for path in poisoned.rglob("*"):
        assert path.resolve().is_relative_to(poisoned)
        assert path.is_dir() or stat.S_IMODE(path.stat().st_mode) == FILE_MODE


ESCAPES = "\x1b]0;owned\x07\x1b[2J\x1b[31m\u202eevil\x9b31m"


def test_the_terminal_is_not_steered_by_what_was_heard(tmp_path: Path) -> None:
    talk = talk_file(tmp_path, f"[0:01] pulse seventy two {ESCAPES} and regular\n")
    out = ("--out", tmp_path / "session", "--learner", f"A{ESCAPES}")
    for done in (
        dictate("convert", talk, *out),
        dictate("rebuild", tmp_path / "session"),
        dictate("convert", tmp_path / f"no{ESCAPES}thing.txt"),
    ):
        for told in (done.stdout, done.stderr):
            assert not {"\x1b", "\x07", "\x9b", "\u202e"} & set(told)


def test_a_session_that_is_no_ordinary_file_is_one_sentence(tmp_path: Path) -> None:
    # Reading on from any of them would never end.
    for name in ("pipe", "device"):
        (tmp_path / name).mkdir()
    os.mkfifo(tmp_path / "pipe" / "journal.jsonl")
    (tmp_path / "device" / "journal.jsonl").symlink_to("/dev/zero")
    os.mkfifo(tmp_path / "pipe.wav")
    for command in (
        ("rebuild", tmp_path / "pipe"),
        ("rebuild", tmp_path / "device"),
        ("convert", tmp_path / "pipe.wav", "--out", tmp_path / "out"),
        ("convert", talk_file(tmp_path), "--out", tmp_path / "pipe"),
    ):
        assert "no ordinary file" in one_sentence(dictate(*command, seconds=60))
    # Among the sessions of a course they are named, and the others are read.
    good = dictate("convert", tmp_path / "talk.txt", "--out", tmp_path / "good")
    assert good.returncode == 0
    done = dictate("cohort", tmp_path, "--csv", tmp_path / "all.csv", seconds=60)
    assert done.returncode == 0, done.stderr
    assert len(csv_rows(tmp_path / "all.csv")) == 1
    told = "".join((done.stdout + done.stderr).split())
    for name in ("pipe", "device"):
        assert f"{name}/journal.jsonlisnoordinaryfile" in told


def test_a_name_that_no_disk_can_hold_is_one_sentence(tmp_path: Path) -> None:
    long = tmp_path / ("a" * 300)
    for command in (
        ("convert", talk_file(tmp_path), "--out", long),
        ("convert", long),
        ("rebuild", long),
        ("validate", long),
    ):
        assert "too long" in one_sentence(dictate(*command))


@pytest.mark.skipif(sys.platform != "linux", reason="other systems' names are Unicode")
def test_a_name_that_is_no_text_is_read_and_written_down_with_a_sign(tmp_path: Path) -> None:
    talk = talk_file(tmp_path).rename(tmp_path / os.fsdecode(b"a\xffb.txt"))
    out = tmp_path / "session"
    done = dictate("convert", talk, "--out", out, "--learner", os.fsdecode(b"L\xfe"))
    assert done.returncode == 0, done.stderr
    info = json.loads((out / "journal.jsonl").read_bytes().splitlines()[0])["entry"]["info"]
    assert (info["sound_name"], info["learner"]) == ("a?b.txt", "L?")


@pytest.mark.skipif(sys.platform != "linux", reason="other systems' names are Unicode")
def test_a_recording_whose_name_is_no_text_can_be_played_live(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros(16_000, np.int16), 16_000)
    sound = (tmp_path / "a.wav").rename(tmp_path / os.fsdecode(b"a\xffb.wav"))
    done = dictate(
        "listen", "--from", sound, "--speed", "0", "--voice", "0", "--out", tmp_path / "session"
    )
    assert done.returncode == 0, done.stderr
    assert "Recorded with 'a?b.wav'." in (tmp_path / "session" / "journal.jsonl").read_text()


@pytest.mark.parametrize("figures", ["9" * 60, " ".join(["nine"] * 60), "0." + "1" * 60])
def test_an_endless_row_of_figures_is_no_measure(figures: str, tmp_path: Path) -> None:
    talk = talk_file(
        tmp_path, f"[0:01] Pulse {figures} degrees fahrenheit.\n[0:40] Temperature {figures}.\n"
        f"[1:20] Weight {figures} pounds, pulse seventy-two.\n"
    )  # fmt: skip
    done = dictate("convert", talk, "--out", tmp_path / "session")
    assert done.returncode == 0, done.stderr
    table = csv_rows(tmp_path / "session" / "findings.csv")
    assert [row["number"] for row in table if row["number"]] == ["72"]


def csv_rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"))))


# Size --------------------------------------------------------------------------------------

READER = """
import resource, sys
from pathlib import Path
from dictate.recognition.timed_text import read_timed_text
count = sum(len(phrase.words) > 0 for phrase in read_timed_text(Path(sys.argv[1])))
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024, count)
"""


def cue(kind: str, number: int) -> str:
    def clock(seconds: int) -> str:
        return f"{seconds // 3600:02}:{seconds // 60 % 60:02}:{seconds % 60:02}"

    at, words = 2 * number, f"pulse {60 + number % 40} and regular, the skin is warm"
    if kind == "vtt":
        return f"{clock(at)}.000 --> {clock(at + 2)}.000\n<v Examiner>{words}</v>\n\n"
    if kind == "srt":
        return f"{number + 1}\n{clock(at)},000 --> {clock(at + 2)},000\n{words}\n\n"
    return f"[{clock(at)}] {words}\n"


def transcript(path: Path, size: int) -> int:
    """Write at least ``size`` bytes of a transcript; the number of its cues."""
    kind, number, written = path.suffix[1:], 0, 0
    with path.open("w", encoding="utf-8") as file:
        written = file.write("WEBVTT\n\n" if kind == "vtt" else "")
        while written < size:
            written += file.write(cue(kind, number))
            number += 1
    return number


def reading(path: Path) -> tuple[int, int]:
    done = subprocess.run(
        [sys.executable, "-c", READER, str(path)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    peak, count = map(int, done.stdout.split())
    return peak, count


def check_streaming(kind: str, size: int, place: Path) -> None:
    small, large = place / f"small.{kind}", place / f"large.{kind}"
    transcript(small, 20_000)
    cues = transcript(large, size)
    usual, _ = reading(small)
    peak, count = reading(large)
    print(
        f"{kind} of {size / 1e6:.0f} MB: {count} cues, {peak} MB against {usual} MB of a small one"
    )
    assert count == cues
    assert peak - usual < 8


@pytest.mark.parametrize("kind", ["vtt", "srt"])
def test_transcripts_are_streamed(kind: str, tmp_path: Path) -> None:
    check_streaming(kind, 10_000_000, tmp_path)


@pytest.mark.long
@pytest.mark.parametrize("kind", ["vtt", "srt", "txt"])
def test_a_transcript_of_a_hundred_megabytes_is_streamed(kind: str, tmp_path: Path) -> None:
    check_streaming(kind, 100_000_000, tmp_path)


@pytest.mark.parametrize("kind", ["vtt", "srt", "txt"])
def test_one_endless_cue_is_refused_before_it_fills_the_memory(kind: str, tmp_path: Path) -> None:
    path = tmp_path / f"endless.{kind}"
    path.write_text(cue(kind, 0).rstrip("\n") + "\npulse seventy two" * 1_000_000 + "\n")
    assert "endless" in one_sentence(dictate("convert", path, seconds=240))


def test_what_a_reader_takes_for_markup_is_written_down_as_heard(
    poisoned: Path, exam: Catalogue
) -> None:
    from dictate.conversion import opened, reopened

    session = reopened(*opened(poisoned), exam)
    said = " ".join(word.text for phrase in session.phrases for word in phrase.words)
    assert SCRIPT in said and FORMULA in said
    assert {one.item for one in session.findings if one.stands} >= {"vitals.pulse_rate"}

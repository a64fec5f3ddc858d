"""Timed transcripts read as heard phrases: WebVTT, SubRip, and lines with a leading stamp.

WebVTT follows the W3C Candidate Recommendation of 4 April 2019: voice tags name the
speaker, timestamps inside a cue give the times of its words.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import NamedTuple

from dictate.errors import UserFault
from dictate.recognition.words import HeardPhrase, Word

LONGEST_CUE = 24 * 3600.0
WORDS_PER_SECOND = 2.5
"""Plausible speaking rate where the text has no end time (150 words a minute, from memory)."""
LONGEST_LINE = 100_000
MOST_LINES = 1_000
"""Lines of one cue; more are no talk and would fill the memory."""

_CLOCK = r"(?:(\d{1,4}):)?(\d{1,2}):(\d{2})[.,](\d{1,3})"
_ARROW = re.compile(rf"^\s*{_CLOCK}\s*-->\s*{_CLOCK}(?:\s+.*)?$")
_STAMP = re.compile(r"^\s*\[(?:(\d{1,3}):)?(\d{1,3}):(\d{2})(?:[.,](\d{1,3}))?\]\s*(.*)$")
_NAMED = re.compile(r"^(?P<name>[^\W\d][\w .'-]{0,30}):\s+(?P<text>.+)$")
_TAG = re.compile(r"<([^<>]*)>")
_INLINE = re.compile(rf"^{_CLOCK}$")
_SRT_STYLE = re.compile(r"\{\\[^}]*\}")


class _Cue(NamedTuple):
    """One timed piece of text; ``end`` is None where only a beginning is written."""

    start: float
    end: float | None
    lines: tuple[str, ...]
    line: int


def is_timed_text(head: bytes) -> bool:
    """Whether the first bytes of a file look like one of the kinds read here."""
    if b"\x00" in head[:512] and not head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return False
    text = _decoded(head)
    if text.lstrip("\ufeff").startswith("WEBVTT"):
        return True
    lines = [line for line in text.splitlines() if line.strip()][:20]
    return any(_ARROW.match(line) or _STAMP.match(line) for line in lines)


def read_timed_text(path: Path, name: str | None = None) -> Iterator[HeardPhrase]:
    """Yield the cues of a timed transcript in the order written, in constant memory.

    Written punctuation and figures stay in the words; confidence is 1.

    Raises:
        UserFault: the file cannot be read, holds no cue, or a line has a broken time.
    """
    name = name or path.name
    try:
        lines = _lines(path, name)
        kind, lines = _kind(lines)
        cues = _stamped(lines, name) if kind == "plain" else _arrowed(lines, name, kind)
        empty = True
        for cue in cues:
            empty = False
            yield from _phrases(cue)
    except OSError as error:
        raise UserFault(f"{path} cannot be read ({error.strerror}); check its permissions.") from (
            error
        )
    if empty:
        raise UserFault(
            f"{name} holds no timed text; write cues as WebVTT or SubRip, or lines that begin "
            "with a stamp such as [0:05]."
        )


def _decoded(raw: bytes) -> str:
    for mark, encoding in ((b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if raw.startswith(mark):
            return raw[: len(raw) // 2 * 2].decode(encoding, errors="replace")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        # A piece may end inside a character, so only an error further in tells.
        try:
            return raw[:-3].decode("utf-8-sig")
        except UnicodeDecodeError:
            return raw.decode("cp1252", errors="replace")


def _encoding(path: Path) -> str:
    """UTF-16 by its mark, UTF-8 where every byte fits, else Windows' Western code page."""
    import codecs

    decoder = codecs.getincrementaldecoder("utf-8")()
    with path.open("rb") as file:
        first = file.read(1 << 16)
        if first.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
            return "utf-16"
        try:
            decoder.decode(first)
            while piece := file.read(1 << 16):
                decoder.decode(piece)
            decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            return "cp1252"
    return "utf-8-sig"


def _lines(path: Path, name: str) -> Iterator[tuple[int, str]]:
    with path.open(encoding=_encoding(path), errors="replace", newline=None) as file:
        number = 0
        while line := file.readline(LONGEST_LINE + 1):
            number += 1
            if len(line) > LONGEST_LINE:
                raise UserFault(
                    f"{name} line {number} is longer than {LONGEST_LINE} characters; "
                    "this is no timed transcript."
                )
            yield number, line.rstrip("\r\n").replace("\x00", "")


def _kind(lines: Iterator[tuple[int, str]]) -> tuple[str, Iterator[tuple[int, str]]]:
    """Tell the kind from the first line that decides it, and give back every line."""
    seen: list[tuple[int, str]] = []

    def again() -> Iterator[tuple[int, str]]:
        yield from seen
        yield from lines

    for entry in lines:
        seen.append(entry)
        text = entry[1].lstrip("\ufeff")
        if text.startswith("WEBVTT") and len([1 for _, line in seen if line.strip()]) == 1:
            return "vtt", again()
        if "-->" in text:
            return "srt", again()
        if _STAMP.match(text) or len(seen) > 50:
            return "plain", again()
    return "plain", again()


def _arrowed(lines: Iterable[tuple[int, str]], name: str, kind: str) -> Iterator[_Cue]:
    """WebVTT and SubRip: blocks between empty lines, a time line and then text."""
    block: list[tuple[int, str]] = []
    for number, line in lines:
        if line.strip():
            if len(block) > MOST_LINES:
                raise _fault(name, block[0][0], f"this cue goes on for over {MOST_LINES} lines")
            block.append((number, line))
            continue
        yield from _cue(block, name, kind)
        block = []
    yield from _cue(block, name, kind)


def _cue(block: list[tuple[int, str]], name: str, kind: str) -> Iterator[_Cue]:
    if not block:
        return
    first = block[0][1].lstrip("\ufeff")
    at = next((index for index, (_, line) in enumerate(block) if "-->" in line), None)
    if at is None:
        if kind == "srt" and len(block) > 1:
            raise _fault(name, block[0][0], "the time line of this cue is missing")
        return
    if kind == "vtt" and re.match(r"^(NOTE|STYLE|REGION)\b", first) and at > 0:
        return
    number, line = block[at]
    match = _ARROW.match(line)
    if match is None:
        raise _fault(name, number, f"'{line.strip()[:60]}' is no pair of times")
    parts = match.groups()
    start, end = _seconds(parts[:4], name, number), _seconds(parts[4:], name, number)
    if end < start:
        raise _fault(name, number, "the cue ends before it begins")
    if end - start > LONGEST_CUE:
        raise _fault(name, number, "the cue is longer than a day")
    yield _Cue(start, end, tuple(text for _, text in block[at + 1 :]), number)


def _seconds(parts: tuple[str | None, ...], name: str, line: int) -> float:
    hours, minutes, seconds, fraction = parts
    if int(seconds or 0) > 59 or (hours and int(minutes or 0) > 59):
        raise _fault(name, line, "minutes and seconds go up to 59")
    whole = int(hours or 0) * 3600 + int(minutes or 0) * 60 + int(seconds or 0)
    return whole + (int(fraction.ljust(3, "0")) / 1000 if fraction else 0.0)


def _fault(name: str, line: int, what: str) -> UserFault:
    return UserFault(f"{name} line {line}: {what}; mend that line and try again.")


def _stamped(lines: Iterable[tuple[int, str]], name: str) -> Iterator[_Cue]:
    """Plain lines; text without a stamp continues the line before it."""
    start: float | None = None
    began = 0
    held: list[str] = []
    for number, line in lines:
        if not line.strip():
            continue
        match = _STAMP.match(line.lstrip("\ufeff"))
        if match is None:
            if start is None:
                raise _fault(name, number, "text stands before the first stamp such as [0:05]")
            if re.match(r"^\s*\[[\d:.,]+\]?", line):
                raise _fault(name, number, f"'{line.strip()[:30]}' has no stamp of the form [m:ss]")
            if len(held) > MOST_LINES:
                raise _fault(name, began, f"no stamp follows within {MOST_LINES} lines")
            held.append(line)
            continue
        at = _seconds(match.groups()[:4], name, number)
        if start is not None:
            if at < start:
                raise _fault(name, number, "the stamp is earlier than the one before it")
            yield _Cue(start, at, tuple(held), began)
        start, began, held = at, number, [match[5]]
    if start is not None:
        yield _Cue(start, None, tuple(held), began)


class _Piece(NamedTuple):
    speaker: str | None
    words: tuple[str, ...]
    start: float | None


def _phrases(cue: _Cue) -> Iterator[HeardPhrase]:
    """One phrase a speaker; a cue where two people speak gives two, one after the other."""
    pieces = _pieces(cue)
    count = sum(len(piece.words) for piece in pieces)
    if not count:
        return
    length = max(count / WORDS_PER_SECOND, 0.4)
    end = cue.start + length if cue.end is None else cue.end
    timed: list[tuple[str | None, Word]] = []
    times = _piece_times(pieces, cue.start, end)
    for piece, (start, stop) in zip(pieces, times, strict=True):
        timed.extend((piece.speaker, word) for word in _spread(piece.words, start, stop))
    group: list[Word] = []
    for index, (speaker, word) in enumerate(timed):
        group.append(word)
        if index + 1 == len(timed) or timed[index + 1][0] != speaker:
            yield HeardPhrase(
                words=tuple(group), start=group[0].start, end=group[-1].end, speaker=speaker
            )
            group = []


def _pieces(cue: _Cue) -> list[_Piece]:
    pieces: list[_Piece] = []
    speaker: str | None = None
    for line in cue.lines:
        text = _SRT_STYLE.sub("", line)
        named = _NAMED.match(text.strip())
        if named and "<" not in named["name"]:
            speaker, text = named["name"].strip(), named["text"]
        start: float | None = None
        position = 0
        for tag in _TAG.finditer(text):
            pieces.append(_Piece(speaker, _words(text[position : tag.start()]), start))
            position = tag.end()
            inside = tag[1].strip()
            inline = _INLINE.match(inside)
            if inline:
                start = _inline_seconds(inline.groups(), cue)
            elif re.match(r"^v[.\s]", inside):
                speaker = html.unescape(inside.partition(" ")[2]).strip() or None
            elif inside == "/v":
                speaker = None
        pieces.append(_Piece(speaker, _words(text[position:]), start))
    return [piece for piece in pieces if piece.words]


def _inline_seconds(parts: tuple[str | None, ...], cue: _Cue) -> float | None:
    """The time of an inline stamp, ignored (as the standard has it) where it is out of range."""
    hours, minutes, seconds, fraction = (int(part or 0) for part in parts)
    scale = 10 ** len(parts[3] or "0")
    at = hours * 3600 + minutes * 60 + seconds + fraction / scale
    return at if cue.start <= at <= (cue.end if cue.end is not None else at) else None


def _piece_times(pieces: list[_Piece], start: float, end: float) -> list[tuple[float, float]]:
    """Give each piece its time; those without a stamp share what lies between by length."""
    times: list[tuple[float, float]] = []
    at = start
    index = 0
    while index < len(pieces):
        stop_index = index + 1
        while stop_index < len(pieces) and pieces[stop_index].start is None:
            stop_index += 1
        begin = pieces[index].start if pieces[index].start is not None else at
        at = begin = max(begin or 0.0, at)
        following = pieces[stop_index].start if stop_index < len(pieces) else None
        stop = max(end if following is None else following, begin)
        shares = [_weight(piece.words) for piece in pieces[index:stop_index]]
        for share in shares:
            length = (stop - begin) * share / sum(shares)
            times.append((at, at + length))
            at += length
        index = stop_index
    return times


def _weight(words: tuple[str, ...]) -> float:
    return float(sum(len(word) + 1 for word in words))


def _spread(words: tuple[str, ...], start: float, end: float) -> Iterator[Word]:
    """Share the time among the words by their number of letters."""
    total = _weight(words)
    at = start
    for word in words:
        stop = min(at + (end - start) * (len(word) + 1) / total, end)
        yield Word(text=word, start=at, end=max(stop, at))
        at = stop


def _words(text: str) -> tuple[str, ...]:
    return tuple(html.unescape(text).split())

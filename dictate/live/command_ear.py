"""Hears spoken commands and answers: a finite grammar beside a loop of bare phones.

A recogniser with a grammar alone never says no: whatever is said becomes the likeliest of
its phrases. So each span of speech is also decoded as a free sequence of phones, and counts
as a command only where the grammar explains it nearly as well.
"""

from __future__ import annotations

import math
import tempfile
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

from dictate.audio.source import SAMPLE_RATE, Samples
from dictate.errors import UserFault
from dictate.exam.expansion import parsed, written_out
from dictate.exam.location import grammars_folder
from dictate.live.command_words import VALUE, CommandName, CommandWords, spoken_words
from dictate.recognition.number_words import TEENS, TENS, UNITS, number_runs
from dictate.recognition.pronunciations import (
    PHONES,
    Dictionary,
    general_dictionary,
    pronounce,
    write_dictionary,
)

SHORTEST, LONGEST = 0.5, 5.0
"""Seconds of speech between which a span can be a command or an answer."""
COMMAND_MARGIN = -8.0
"""How a command must compare with free phones: the difference of their scores per frame, in
steps of the decoder's logarithm. Free phones score lower, as each of them costs; commands fit
better than they. Chosen on the tuning voices of ``tests/bench/live_commands.py``."""
ANSWER_MARGIN = -4.0
UNSURE_ANSWER_MARGIN = 6.0
"""A bare 'yes', 'no' or number is too short to stand out from free phones: on ten synthetic
voices -12 to 6. Such an answer counts only where the recogniser of the talk heard it too."""
LONGEST_SILENCE = 60
"""Frames of 10 ms: a longer silence in a decoding was other talk that no word fitted."""
_LOG_BASE = 1.0001

_NUMBERS = f"""
<unit> = {" | ".join(UNITS)};
<teen> = {" | ".join(TEENS)};
<ten> = {" | ".join(TENS)};
<digit> = <unit> | zero | oh;
<small> = <unit> | <teen> | <ten> [<unit>];
<whole> = zero | <small> | (a | <unit>) hundred [[and] <small>] | <unit> (<teen> | <ten> [<unit>]
    | oh <unit>);
<number> = <whole> [point <digit> [<digit>]] | <whole> over <whole> | <unit> plus;
"""


@dataclass(frozen=True)
class HeardCommand:
    """A command and its words; ``value`` holds the words of the number, if it has one."""

    name: CommandName
    words: str
    value: tuple[str, ...] = ()


@dataclass(frozen=True)
class HeardAnswer:
    """A reply to a question of the program: ``agrees`` is None where only a value was said.

    ``wordings`` are all that mean the same as its words without the value. One that is not
    ``sure`` needs a second witness, see :meth:`heard_in`.
    """

    agrees: bool | None
    words: str
    value: tuple[str, ...] = ()
    sure: bool = True
    wordings: frozenset[str] = frozenset()

    def heard_in(self, text: str) -> bool:
        """Whether another recogniser, which heard ``text``, understood the same answer."""
        words = text.split()
        if self.value:
            if tuple(words[-len(self.value) :]) != self.value:
                return False
            words = words[: -len(self.value)]
            if not words or words == ["it", "is"]:
                return True
        return " ".join(words) in self.wordings


class CommandEar:
    """Tells commands and answers from other talk, one span of speech at a time."""

    def __init__(
        self,
        words: CommandWords,
        command_margin: float = COMMAND_MARGIN,
        answer_margin: float = ANSWER_MARGIN,
    ) -> None:
        from pocketsphinx import Decoder

        self._words = words
        self._margins = (command_margin, answer_margin)
        self._scratch = tempfile.TemporaryDirectory(prefix="dictate-")
        dictionary = Path(self._scratch.name) / "commands.dict"
        write_dictionary(_dictionary(words), dictionary)
        self._decoder = Decoder(dict=str(dictionary), lm=None, loglevel="FATAL", bestpath=False)
        self._decoder.add_jsgf_string("commands", _command_grammar(words))
        self._decoder.add_jsgf_string("answers", _answer_grammar(words))
        self._decoder.add_jsgf_string("phones", _phone_grammar())

    def close(self) -> None:
        """Remove the scratch files."""
        self._scratch.cleanup()

    def command(self, samples: Samples) -> HeardCommand | None:
        """The command that a span of speech is, None where it is other talk."""
        fit = self.fit("commands", samples)
        if fit is None or fit.margin > self._margins[0]:
            return None
        attention, rest = fit.words[0], fit.words[1:]
        if attention != self._words.attention.word or not rest:
            return None
        said, value = _parted(rest)
        name = next((name for name, ways in self._ways.items() if said in ways), None)
        if name is None:
            return None
        return HeardCommand(name, " ".join(fit.words), value)

    def answer(self, samples: Samples) -> HeardAnswer | None:
        """The reply that a span of speech is, None where it is other talk."""
        fit = self.fit("answers", samples)
        if fit is None or fit.margin > self._margins[1] + UNSURE_ANSWER_MARGIN - ANSWER_MARGIN:
            return None
        said, value = _parted(fit.words)
        plain = said.replace(VALUE, "").strip()
        agrees: bool | None = None
        yes, no = _expanded(self._words.yes), _expanded(self._words.no)
        wordings: frozenset[str] = frozenset()
        if plain in no:
            agrees, wordings = False, no
        elif plain in yes:
            agrees, wordings = None if value else True, yes
        sure = fit.margin <= self._margins[1]
        return HeardAnswer(agrees, " ".join(fit.words), value, sure, wordings)

    def fit(self, grammar: str, samples: Samples) -> Fit | None:
        """Decode by a grammar, 'commands' or 'answers', and compare with free phones."""
        if not SHORTEST <= len(samples) / SAMPLE_RATE <= LONGEST:
            return None
        words, score, frames = self._decode(grammar, samples)
        if not words or self._longest_silence() > LONGEST_SILENCE:
            return None
        _, free, _ = self._decode("phones", samples)
        return Fit(words, (free - score) / max(frames, 1))

    def _decode(self, search: str, samples: Samples) -> tuple[tuple[str, ...], float, int]:
        decoder: Any = self._decoder
        decoder.activate_search(search)
        decoder.start_utt()
        decoder.process_raw(samples.tobytes(), full_utt=True)
        decoder.end_utt()
        hypothesis = decoder.hyp()
        if hypothesis is None or hypothesis.best_score <= 0:
            return (), 0.0, 0
        # The library gives the exponential of the path's score, whose base is 1.0001.
        score = math.log(hypothesis.best_score) / math.log(_LOG_BASE)
        return tuple(hypothesis.hypstr.split()), score, decoder.n_frames()

    def _longest_silence(self) -> int:
        return max(
            (
                segment.end_frame - segment.start_frame
                for segment in self._decoder.seg()
                if segment.word == "<sil>"
            ),
            default=0,
        )

    @cached_property
    def _ways(self) -> dict[CommandName, frozenset[str]]:
        return {name: _expanded(say) for name, say in self._words.phrases.items()}


@dataclass(frozen=True)
class Fit:
    """What a grammar made of a span; a small ``margin`` means that it fits."""

    words: tuple[str, ...]
    margin: float


def _dictionary(words: CommandWords) -> Dictionary:
    plain = spoken_words(words) | set(UNITS) | set(TEENS) | set(TENS)
    plain |= set(["zero", "oh", "a", "and", "hundred", "point", "over", "plus", "it", "is"])
    own = grammars_folder() / "speech" / "pronunciations.dict"
    found = pronounce(plain, own, general_dictionary())
    if found.unknown:
        raise UserFault(
            f"How '{found.unknown[0]}' in the spoken commands is pronounced is not known; choose "
            "another wording."
        )
    return {
        **found.dictionary,
        words.attention.word: tuple(tuple(way.split()) for way in words.attention.sounds),
        **{_bare(phone): ((phone,),) for phone in PHONES},
    }


def _bare(phone: str) -> str:
    return f"sound_{phone.lower()}"


def _command_grammar(words: CommandWords) -> str:
    ways = " | ".join(f"( {say} )" for say in words.phrases.values())
    return (
        f"#JSGF V1.0;\ngrammar commands;\n{_NUMBERS}"
        f"public <command> = {words.attention.word} ( {ways} );\n"
    )


def _answer_grammar(words: CommandWords) -> str:
    return (
        f"#JSGF V1.0;\ngrammar answers;\n{_NUMBERS}"
        f"public <answer> = {words.yes} | {words.no} | "
        f"[ {words.yes} | {words.no} ] [it is] <number>;\n"
    )


def _phone_grammar() -> str:
    phones = " | ".join(_bare(phone) for phone in sorted(PHONES))
    return f"#JSGF V1.0;\ngrammar phones;\npublic <phones> = ( {phones} )+;\n"


def _parted(words: tuple[str, ...]) -> tuple[str, tuple[str, ...]]:
    """Part words into what is said, the number replaced by its slot, and the number."""
    runs = list(number_runs(words))
    if not runs:
        return " ".join(words), ()
    first, last = runs[0][0], runs[-1][1]
    # "a hundred" and "two plus" have a word of the number at their edge.
    if first and words[first] == "hundred" and words[first - 1] == "a":
        first -= 1
    if last + 1 < len(words) and words[last + 1] == "plus":
        last += 1
    value = words[first : last + 1]
    return " ".join((*words[:first], VALUE, *words[last + 1 :])), value


@lru_cache(maxsize=64)
def _expanded(say: str) -> frozenset[str]:
    """Every wording of a phrase, with the slot of a number in its place."""
    return frozenset(" ".join(way) for way in written_out(parsed(say)))

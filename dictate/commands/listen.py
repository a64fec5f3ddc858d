"""``dictate listen``: hear an examination while it is made."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue
from typing import TYPE_CHECKING, Annotated, Literal, Optional

import typer

from dictate.errors import UserFault, one_line, unsteering

if TYPE_CHECKING:
    from dictate.exam.catalogue import Catalogue
    from dictate.live.capture import SoundSource
    from dictate.live.command_words import CommandWords
    from dictate.live.keys import KeyReader
    from dictate.live.listening import Event, Voice
    from dictate.live.session import Ears, LiveSession
    from dictate.live.view import PlainView, ScreenView

    View = PlainView | ScreenView

_CAUTION = (
    "This keeps a training record of a practice examination. It is not a medical device and makes "
    "no diagnosis. Course, local policy and licensed supervision come first."
)


DeviceOption = Annotated[str, typer.Option(help="Microphone: its number or part of its name.")]
EngineOption = Annotated[str, typer.Option(help="Recogniser: auto, pocketsphinx or vosk.")]
ModelOption = Annotated[
    Optional[Path],  # noqa: UP045 - typer reads this at run time on Python 3.10
    typer.Option(help="Folder of an unpacked Vosk model."),
]
CommandsOption = Annotated[bool, typer.Option(help="Hear spoken commands.")]
AttentionOption = Annotated[
    str, typer.Option(help="The word before every command, in place of the usual one.")
]
VoiceOption = Annotated[
    int, typer.Option(min=0, max=100, help="Loudness of spoken answers and tones; 0 is off.")
]
HeadphonesOption = Annotated[
    bool, typer.Option("--headphones", help="Only I hear the answers: never close the ear.")
]
LargeOption = Annotated[bool, typer.Option("--large", help="Readable from two metres.")]
PlainOption = Annotated[bool, typer.Option("--plain", help="Lines instead of a screen.")]
SourceOption = Annotated[
    Optional[Path],  # noqa: UP045
    typer.Option("--from", help="Play a recording as if it were spoken into a microphone."),
]
SpeedOption = Annotated[
    float,
    typer.Option(min=0, help="With --from: how fast; 1 is real time, 0 as fast as it goes."),
]


def listen(
    out: Annotated[
        Optional[Path],  # noqa: UP045 - typer reads this at run time on Python 3.10
        typer.Option("--out", "-o", help="Session folder; named after the date and time."),
    ] = None,
    device: DeviceOption = "",
    devices: Annotated[bool, typer.Option("--devices", help="List the microphones.")] = False,
    consent: Annotated[
        str,
        typer.Option(help="Who asked the partner and got consent (a code); then it is not asked."),
    ] = "",
    learner: Annotated[str, typer.Option(help="Code of the learner, no name.")] = "learner",
    partner: Annotated[str, typer.Option(help="Code of the partner, no name.")] = "partner",
    course: Annotated[str, typer.Option(help="Course file, or the key of one shipped.")] = "",
    engine: EngineOption = "auto",
    model: ModelOption = None,
    commands: CommandsOption = True,
    attention: AttentionOption = "",
    pedal: Annotated[
        list[str],
        typer.Option(help="A key of a foot pedal and its command, such as f13=mark; repeatable."),
    ] = [],  # noqa: B006 - typer copies it
    voice: VoiceOption = 60,
    headphones: HeadphonesOption = False,
    check: Annotated[bool, typer.Option(help="Measure a sentence before the start.")] = True,
    large: LargeOption = False,
    plain: PlainOption = False,
    source: SourceOption = None,
    speed: SpeedOption = 1.0,
) -> None:
    """Hear an examination while it is made; hands stay free until the end."""
    if devices:
        _list_devices()
        return
    options = HearOptions(
        device=device,
        vosk=vosk_folder(engine, model),
        commands=commands,
        attention=attention,
        voice=voice,
        headphones=headphones,
        large=large,
        plain=plain,
        source=source,
        speed=speed,
        check=check,
        consent=consent,
        learner=learner,
        partner=partner,
        course=course,
        pedals=tuple(pedal),
    )
    raise typer.Exit(hear(out or _folder_of_now(), options))


def _list_devices() -> None:
    from dictate.live.capture import input_devices, sound_library

    library = sound_library()
    found = input_devices(library)
    usual = library.default.device[0]
    for number, device in found:
        mark = "  (usual)" if number == usual else ""
        typer.echo(
            f"{number}: {one_line(device['name'])}, {device['default_samplerate']:.0f} Hz{mark}"
        )
    if not found:
        typer.echo(
            "No microphone was found: plug one in, or allow this program to use it in the "
            "system's settings."
        )


@dataclass(frozen=True)
class HearOptions:
    """How to hear and how to show it; ``source`` plays a file in place of a microphone."""

    device: str
    vosk: Path | None
    commands: bool
    attention: str
    voice: int
    headphones: bool
    large: bool
    plain: bool
    source: Path | None
    speed: float
    check: bool = True
    consent: str = ""
    learner: str = "learner"
    partner: str = "partner"
    course: str = ""
    pedals: tuple[str, ...] = ()


def hear(folder: Path, options: HearOptions, *, taken_up: bool = False) -> int:
    """Run a session in ``folder``, a new one or one taken up; return the exit code."""
    from dictate.live.capture import FileMicrophone, Microphone
    from dictate.live.session import Ears, must_be_live

    told = _tell
    words = _words(options)
    if taken_up:
        course = must_be_live(folder).course
        catalogue = _catalogue("" if course == "usual" else course)
    else:
        _must_be_free(folder)
        catalogue = _catalogue(options.course)
    microphone: SoundSource = (
        FileMicrophone(options.source, options.speed or 1.0)
        if options.source is not None
        else Microphone(options.device or None)
    )
    told(_CAUTION)
    told("Loading the recogniser ...")
    ears = Ears.open(catalogue, words if options.commands else None, options.vosk)
    voice = _voice(options, told)
    try:
        return _run(folder, options, taken_up, catalogue, words, microphone, ears, voice)
    finally:
        ears.close()
        voice.close()


def _run(
    folder: Path,
    options: HearOptions,
    taken_up: bool,
    catalogue: Catalogue,
    words: CommandWords,
    microphone: SoundSource,
    ears: Ears,
    voice: Voice,
) -> int:
    from dictate.live.capture import FileMicrophone
    from dictate.live.keys import KeyReader
    from dictate.live.listening import Stop
    from dictate.live.session import Around, LiveSession

    events: SimpleQueue[Event] = SimpleQueue()
    ears.report = events.put
    fast = isinstance(microphone, FileMicrophone) and options.speed == 0
    with _signals(lambda ending: events.put(Stop(ending))), KeyReader(words, events.put) as keys:
        consent = "" if taken_up else _started(options, events, microphone, ears)
        with _view(options, keys) as view:
            around = Around(voice, not options.headphones, view.show, view.line, events)
            if taken_up:
                session = LiveSession.take_up(folder, catalogue, ears, around)
            else:
                session = LiveSession.begin(
                    folder,
                    catalogue,
                    ears,
                    around,
                    learner=options.learner,
                    partner=options.partner,
                    consent=consent,
                    course=options.course,
                    device=microphone.name,
                )
            try:
                session.hear_the_rest()
                if isinstance(microphone, FileMicrophone) and fast:
                    ending = session.run_as_fast_as_possible(microphone)
                else:
                    ending = session.run(microphone)
            except UserFault as fault:
                raise _left(session, fault) from fault
            except BaseException:
                session.leave()
                raise
    if ending == "failed":
        session.leave()
        raise UserFault(
            f"The recogniser has stopped; all that was heard is in {folder}: bring it to its end "
            f"with 'dictate resume {folder}'."
        )
    finish(session)
    return 0


def _left(session: LiveSession, fault: UserFault) -> UserFault:
    """Close a session that cannot go on; the sentence says how it goes on later."""
    with suppress(UserFault):  # On a full disk the last frame cannot be written either.
        session.leave()
    return UserFault(
        f"{str(fault).rstrip('.')}; afterwards 'dictate resume {session.folder}' goes on."
    )


def _started(
    options: HearOptions, events: SimpleQueue[Event], microphone: SoundSource, ears: Ears
) -> str:
    """Check the sound, ask for consent, and say what the journal keeps of it."""
    from dictate.live.starting import ask_consent, check_level, consent_sentence, level_sentence

    if options.source is not None:
        return options.consent or f"not asked: a recording was played ({microphone.name})"
    if not options.consent and ears.commands is None and not sys.stdin.isatty():
        raise UserFault(
            "Nobody can be asked here whether the partner agrees: say who has the consent with "
            "'--consent CODE'."
        )
    if not options.check and options.consent:
        return consent_sentence(options.partner, options.consent, "said on the command line")
    microphone.start(events.put)
    try:
        if options.check:
            _tell(f"Microphone: {microphone.name}. Say a sentence, such as 'pulse seventy two'.")
            level = check_level(events, _meter)
            if sys.stderr.isatty():
                typer.echo("\r", nl=False, err=True)
            _tell(level_sentence(level))
        if options.consent:
            return consent_sentence(options.partner, options.consent, "said on the command line")
        _tell(
            f"Has {options.partner} agreed to be recorded? Say 'yes, I agree' or press y; n ends."
        )
        return ask_consent(events, ears.commands, options.partner, options.learner)
    finally:
        microphone.stop()
        while not events.empty():
            events.get()  # What was said before is no part of the session.


def _meter(level: float) -> None:
    from dictate.live.view import meter

    if sys.stderr.isatty():
        sys.stderr.write(f"\r[{meter(level)}] {level:4.0f} dB ")
        sys.stderr.flush()


@contextmanager
def _signals(stop: Callable[[Literal["stopped", "closed"]], None]) -> Iterator[None]:
    """Ctrl-C, a closed terminal and a request to end bring the session to its end."""
    import signal

    def interrupted(number: int, frame: object) -> None:
        signal.signal(signal.SIGINT, signal.default_int_handler)  # A second one breaks off.
        stop("stopped")

    before = {signal.SIGINT: signal.signal(signal.SIGINT, interrupted)}
    for name in ("SIGHUP", "SIGTERM"):
        number = getattr(signal, name, None)
        if number is not None:
            before[number] = signal.signal(number, lambda *_: stop("closed"))
    try:
        yield
    finally:
        for known, handler in before.items():
            # The outputs are still to be written: a closed terminal must not end that.
            signal.signal(known, handler if known == signal.SIGINT else signal.SIG_IGN)


def _view(options: HearOptions, keys: KeyReader) -> View:
    from dictate.live.view import PlainView, ScreenView
    from dictate.outputs.terminal import SafeConsole

    console = SafeConsole()
    if options.plain or not console.is_terminal or console.is_dumb_terminal:
        return PlainView(lambda line: print(line, flush=True))
    return ScreenView(console, large=options.large, typing=lambda: keys.typing)


def _voice(options: HearOptions, told: Callable[[str], None]) -> Voice:
    from dictate.live.listening import Silence
    from dictate.live.voice import SpokenAnswers

    if options.voice == 0 or options.source is not None:
        return Silence()
    try:
        voice = SpokenAnswers(options.voice)
    except UserFault as fault:
        told(f"{fault} Answers are only shown.")
        return Silence()
    if not voice.speaks:
        told("espeak-ng is not installed: answers are tones and lines, not spoken.")
    return voice


def _tell(sentence: str) -> None:
    with suppress(OSError):
        typer.echo(unsteering(sentence), err=True)


def _must_be_free(folder: Path) -> None:
    from dictate.session.journal import JOURNAL_NAME

    if (folder / JOURNAL_NAME).exists():
        raise UserFault(
            f"There is a session in {folder} already: go on with it by 'dictate resume {folder}', "
            "or choose another folder with --out."
        )


def finish_broken_off(folder: Path, vosk: Path | None) -> int:
    """Hear what a broken off session still holds, end it, and write its outputs."""
    from dictate.live.session import Around, Ears, LiveSession, must_be_live

    course = must_be_live(folder).course
    catalogue = _catalogue("" if course == "usual" else course)
    ears = Ears.open(catalogue, _usual_words(), vosk)
    try:
        session = LiveSession.take_up(folder, catalogue, ears, Around(line=_tell))
        try:
            session.hear_the_rest()
        except UserFault as fault:
            raise _left(session, fault) from fault
        except BaseException:
            session.leave()
            raise
        finish(session)
    finally:
        ears.close()
    return 0


def finish(session: LiveSession) -> None:
    """End a session, write its outputs and print the summary."""
    from dictate.outputs.folder import write_outputs
    from dictate.outputs.summary import print_summary
    from dictate.outputs.terminal import SafeConsole
    from dictate.session.journal import JOURNAL_NAME, read_journal

    try:
        done = session.finish()
    except UserFault as fault:
        raise _left(session, fault) from fault
    head = read_journal(session.folder / JOURNAL_NAME).head
    try:
        written = write_outputs(done, session.catalogue, session.folder, journal_head=head)
    except UserFault as fault:
        raise UserFault(
            f"{str(fault).rstrip('.')}; sound and journal are whole, and afterwards "
            f"'dictate rebuild {session.folder}' writes the rest."
        ) from fault
    names = ", ".join(path.name for path in written)
    console = SafeConsole()
    with suppress(OSError):  # The terminal may be closed by now.
        print_summary(done, session.catalogue, console)
        console.print(
            f"Written to {session.folder}: journal.jsonl, sound.flac, {names}",
            highlight=False,
            soft_wrap=True,
        )


def vosk_folder(engine: str, model: Path | None) -> Path | None:
    """The Vosk model to use, None for the embedded recogniser.

    Raises:
        UserFault: there is no such recogniser, or no model for it.
    """
    from dictate.recognition.model_shelf import newest_for

    if engine not in ("auto", "pocketsphinx", "vosk"):
        raise UserFault(f"There is no recogniser '{engine}'; choose auto, pocketsphinx or vosk.")
    if engine == "pocketsphinx":
        return None
    found = model or newest_for("vosk")
    if found is None and engine == "vosk":
        from dictate.recognition.vosk_engine import NO_MODEL

        typer.echo(NO_MODEL, err=True)
    return found


def _usual_words() -> CommandWords:
    from dictate.live.command_words import load_command_words

    return load_command_words()


def _words(options: HearOptions) -> CommandWords:
    from dictate.live.command_words import CommandName, with_attention

    words = _usual_words()
    pedals: dict[str, CommandName] = {}
    names: dict[str, CommandName] = {command.name: command.name for command in words.commands}
    for pedal in options.pedals:
        key, _, name = pedal.partition("=")
        if name not in names:
            raise UserFault(
                f"'{pedal}' is no pedal: write KEY=COMMAND, with one of {', '.join(names)}."
            )
        pedals[key] = names[name]
    if pedals:
        words = words.with_pedals(pedals)
    return with_attention(words, options.attention) if options.attention else words


def _catalogue(course: str) -> Catalogue:
    from dictate.cache import cache_folder
    from dictate.exam.course import load_course
    from dictate.exam.reading import load_catalogue

    catalogue = load_catalogue(cache=cache_folder() / "exam")
    return load_course(course, catalogue).catalogue if course else catalogue


def _folder_of_now() -> Path:
    from datetime import datetime

    return Path(f"{datetime.now():%Y-%m-%d-%H%M%S}.session")

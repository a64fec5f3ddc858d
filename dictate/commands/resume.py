"""``dictate resume``: go on with a session that was broken off, or bring it to its end."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dictate.commands.listen import (
    AttentionOption,
    CommandsOption,
    DeviceOption,
    EngineOption,
    HeadphonesOption,
    HearOptions,
    LargeOption,
    ModelOption,
    PlainOption,
    SourceOption,
    SpeedOption,
    VoiceOption,
    finish_broken_off,
    hear,
    vosk_folder,
)


def resume(
    folder: Annotated[Path, typer.Argument(help="The session folder that 'listen' made.")],
    finish: Annotated[
        bool, typer.Option("--finish", help="Only hear what is left and write the outputs.")
    ] = False,
    device: DeviceOption = "",
    engine: EngineOption = "auto",
    model: ModelOption = None,
    commands: CommandsOption = True,
    attention: AttentionOption = "",
    voice: VoiceOption = 60,
    headphones: HeadphonesOption = False,
    large: LargeOption = False,
    plain: PlainOption = False,
    source: SourceOption = None,
    speed: SpeedOption = 1.0,
) -> None:
    """Go on with a live session, or bring one to its end that was broken off."""
    if finish:
        raise typer.Exit(finish_broken_off(folder, vosk_folder(engine, model)))
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
    )
    raise typer.Exit(hear(folder, options, taken_up=True))

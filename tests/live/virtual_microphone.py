"""A microphone without hardware: PulseAudio's null sink, whose monitor is the usual source."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from types import TracebackType

TOOLS = ("pulseaudio", "pactl", "paplay")
SINK = "speaking"


def missing_tool() -> str | None:
    """What is not installed here, None where the virtual microphone can be had."""
    for tool in TOOLS:
        if shutil.which(tool) is None:
            return tool
    try:
        import sounddevice  # noqa: F401
    except OSError:
        return "libportaudio2"
    return None


class VirtualMicrophone:
    """A sound server of its own with a home of its own; ``environment`` is for the program."""

    def __init__(self) -> None:
        # Short, as a socket's path is limited to 108 bytes.
        self._home = tempfile.TemporaryDirectory(prefix="mic-")
        home = Path(self._home.name)
        (home / "run").mkdir(mode=0o700)
        (home / ".asoundrc").write_text(
            "pcm.!default { type pulse }\nctl.!default { type pulse }\n"
        )
        self.environment = {
            **os.environ,
            "HOME": str(home),
            "XDG_RUNTIME_DIR": str(home / "run"),
            "XDG_CONFIG_HOME": str(home / "config"),
            "XDG_CACHE_HOME": os.environ.get("XDG_CACHE_HOME", str(Path("~/.cache").expanduser())),
        }
        self.environment.pop("PULSE_SERVER", None)
        self._server: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> VirtualMicrophone:
        self.plug_in()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.unplug()
        self._home.cleanup()

    def plug_in(self) -> None:
        """Start the server."""
        self._server = subprocess.Popen(
            [
                "pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no",
                "--disallow-exit", "-L", "module-native-protocol-unix",
                "-L", f"module-null-sink sink_name={SINK} rate=16000 channels=1",
                "-L", "module-null-sink sink_name=room rate=44100 channels=2",
            ],
            env=self.environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
        for _ in range(100):
            if self._control("set-default-source", f"{SINK}.monitor") == 0:
                # What the program itself plays goes elsewhere.
                self._control("set-default-sink", "room")
                return
            time.sleep(0.1)
        raise RuntimeError("The sound server did not start.")

    def unplug(self) -> None:
        """Stop the server: the microphone is gone."""
        if self._server is not None:
            self._server.kill()
            self._server.wait()
            self._server = None
        for left in (Path(self._home.name) / "run" / "pulse").glob("*"):
            left.unlink()

    def say(self, sound: Path) -> subprocess.Popen[bytes]:
        """Begin to play a file into the microphone."""
        return subprocess.Popen(["paplay", f"--device={SINK}", str(sound)], env=self.environment)

    def _control(self, *command: str) -> int:
        done = subprocess.run(["pactl", *command], env=self.environment, capture_output=True)
        return done.returncode

"""Measures a live session: delay, share of a processor, memory.

Run ``python -m tests.bench.live [RECORDING] [--speed S] [--limit SECONDS]``. The recording is
played in real time as if into a microphone (``--speed 1``), or faster; with ``--speed 0`` each
piece waits until all before it was read, so that memory holds no queue. The delay counts from the
moment at which the pause that ends a phrase was heard to the moment at which its fields are
filled. Memory is printed minute by minute, of all processes of the session together.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

from dictate.cache import cache_folder
from dictate.exam.reading import load_catalogue
from dictate.live.capture import FileMicrophone
from dictate.live.command_words import load_command_words
from dictate.live.listening import Stop
from dictate.live.session import Around, Ears, LiveSession
from tests.conftest import ROOT


def family(root: int) -> list[int]:
    """All processes of the group: those below, and those that took the place of a copied one."""
    groups: dict[int, int] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            groups[int(entry.name)] = int(fields[2])
    mine = groups.get(root)
    return [pid for pid, group in groups.items() if group == mine]


def proportional_megabytes(pids: list[int]) -> float:
    """Memory that the processes have, shared pages counted once."""
    total = 0
    for pid in pids:
        try:
            for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
                if line.startswith("Pss:"):
                    total += int(line.split()[1])
        except OSError:
            continue
    return total / 1024


def main() -> None:
    """Play, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("recording", nargs="?", default=str(ROOT / "sample_audio" / "short.opus"))
    parser.add_argument("--speed", type=float, default=1.0)
    parser.add_argument("--limit", type=float, default=1e9, help="seconds on the clock")
    chosen = parser.parse_args()
    os.setpgrp()  # So that the processes of this run are known by their group.
    catalogue = load_catalogue(cache=cache_folder() / "exam")
    ears = Ears.open(catalogue, load_command_words(), None)
    memory: list[float] = []
    stopped = threading.Event()
    with tempfile.TemporaryDirectory() as folder:
        session = LiveSession.begin(
            Path(folder) / "live", catalogue, ears, Around(), learner="bench", partner="none",
            consent="a synthetic recording", course="", device="a file",
        )  # fmt: skip

        def watch() -> None:
            until = time.monotonic() + chosen.limit
            while not stopped.wait(10):
                memory.append(proportional_megabytes(family(os.getpid())))
                if time.monotonic() > until:
                    session.deliver(Stop("stopped"))
                    return

        threading.Thread(target=watch, daemon=True).start()
        began, worked = time.monotonic(), time.process_time()
        played = FileMicrophone(Path(chosen.recording), chosen.speed or 1.0)
        if chosen.speed:
            session.run(played)
        else:
            session.run_as_fast_as_possible(played)
        stopped.set()
        own = time.process_time() - worked
        clock = time.monotonic() - began
        done = session.finish()
    ears.close()
    delays = session.listening.delays
    waits = [delay.seconds for delay in delays]
    decoding = session.listening.decoding_cpu
    print(f"{done.info.seconds:.0f} s of sound in {clock:.0f} s, {len(delays)} phrases")
    if chosen.speed:
        print(
            f"end of pause -> field filled: p50 {np.percentile(waits, 50) * 1000:.0f} ms, "
            f"p95 {np.percentile(waits, 95) * 1000:.0f} ms, most {max(waits) * 1000:.0f} ms"
        )
    work = [delay.cpu * 1000 for delay in delays]
    print(
        f"decoding a phrase: p50 {np.percentile(work, 50):.0f} ms, p95 {np.percentile(work, 95):.0f} "
        "ms of processor time, of which 250 ms pass before its pause is over"
    )
    print(
        f"processor: {own / clock:.1%} of a core for the session, "
        f"{decoding / clock:.1%} for the recogniser (phrases; what is only shown not counted)"
    )
    if memory:
        shown = ", ".join(f"{one:.0f}" for one in memory[:: max(len(memory) // 10, 1)])
        print(f"memory of all processes, MB: {shown}")
    print(f"load of the machine: {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()

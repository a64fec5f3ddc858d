"""Throughput over cores and over a cluster: ``python -m tests.bench.cohort_speed``.

Converts copies of a sample recording with one and with two processes, and measures what
the scheduler of a cluster adds by waiting in place of converting. Quiet machines only:
anything else that runs at the same time makes two processes look worse than they are.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from pathlib import Path

import soundfile

from dictate.cohort.cluster import run_on_cluster
from dictate.cohort.job import Job, Outcome
from dictate.cohort.workers import run_here
from tests.cohort.lost_workers import fake
from tests.conftest import ROOT

HOURS, WORKERS, MINUTES = 1000, 100, 20
"""What is extrapolated to: so many hours of sound on so many workers, in pieces so long."""


def copies(folder: Path, source: Path, count: int) -> list[Path]:
    """``count`` recordings with the same sound and a content of their own each."""
    sound, rate = soundfile.read(source, dtype="int16")
    paths = []
    for number in range(count):
        sound[number] += 1
        paths.append(folder / f"{number}.wav")
        soundfile.write(paths[-1], sound, rate)
    return paths


def converted(paths: list[Path], out: Path, processes: int) -> tuple[float, float, float]:
    """Wall seconds, seconds of sound and seconds of work over all processes."""
    ended: list[Outcome] = []
    jobs = [
        Job(recording=path, folder=out / f"{path.stem}.session", size=path.stat().st_size)
        for path in paths
    ]
    began = time.perf_counter()
    run_here(jobs, processes, ended=lambda job, outcome: ended.append(outcome))
    wall = time.perf_counter() - began
    bad = [one.sentence for one in ended if one.state != "converted"]
    if bad:
        raise SystemExit(f"a conversion failed: {bad[0]}")
    return wall, sum(one.sound for one in ended), sum(one.seconds for one in ended)


def overhead(jobs: int, milliseconds: int) -> tuple[float, float]:
    """Wall seconds of fake jobs on 100 workers, and what they would take without scheduling."""
    from distributed import Client, LocalCluster

    with (
        LocalCluster(
            n_workers=1, threads_per_worker=WORKERS, processes=False, dashboard_address=None
        ) as cluster,
        Client(cluster) as client,
    ):
        waiting = [
            Job(recording=Path(f"{n}.wav"), folder=Path(f"{n}.session"), size=milliseconds)
            for n in range(jobs)
        ]
        began = time.perf_counter()
        run_on_cluster(waiting, client, ended=lambda job, outcome: None, work=fake)
        wall = time.perf_counter() - began
    return wall, -(-jobs // WORKERS) * milliseconds / 1000


def main() -> None:
    """Print throughput, efficiency, time per hour of sound and the extrapolation."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--copies", type=int, default=8, help="recordings to convert")
    asked.add_argument("--sample", default="short.opus", help="file of sample_audio/")
    given = asked.parse_args()
    print(f"{os.cpu_count()} cores; load before the start {os.getloadavg()[0]:.2f}")
    walls: dict[int, float] = {}
    per_hour = 0.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        paths = copies(folder, ROOT / "sample_audio" / given.sample, given.copies)
        converted(paths[:1], folder / "warm", 1)  # the language model is built once, untimed
        for processes in (1, 2):
            wall, sound, work = converted(paths, folder / f"out{processes}", processes)
            walls[processes] = wall
            print(
                f"{processes} process(es): {len(paths)} recordings, {sound / 60:.1f} min of sound "
                f"in {wall:.1f} s; {sound / wall:.1f} times real time; "
                f"{3600 * wall / sound:.0f} s for each hour of sound"
            )
            if processes == 1:
                per_hour = 3600 * work / sound
    print(f"efficiency at 2 processes {walls[1] / (2 * walls[2]):.2f} (start of them included)")
    jobs = HOURS * 60 // MINUTES
    wall, ideal = overhead(jobs, 400)
    alone, _ = overhead(jobs, 0)
    extra = max(0.0, wall - ideal)
    print(
        f"scheduler: {jobs} fake jobs of 0.4 s on {WORKERS} threads in {wall:.1f} s, "
        f"{ideal:.1f} s without it; {jobs} empty ones in {alone:.1f} s "
        f"({1000 * alone / jobs:.1f} ms each)"
    )
    rounds = -(-jobs // WORKERS)
    hours = rounds * MINUTES / 60 * per_hour / 3600
    print(
        f"extrapolated: {HOURS} h of sound in pieces of {MINUTES} min on {WORKERS} such cores: "
        f"{60 * hours:.1f} min, of which the scheduler would add {extra:.1f} s "
        f"({100 * extra / (3600 * hours):.1f}%); the network and the disk are not in it"
    )


if __name__ == "__main__":
    main()

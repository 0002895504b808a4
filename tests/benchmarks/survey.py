"""What a survey costs and what it survives.

    python tests/benchmarks/survey.py scaling --clips 2000      two workers against one, the manifest's cost
    python tests/benchmarks/survey.py day --hours 24            a long recording: speed, memory, joins
    python tests/benchmarks/survey.py kills --kills 50          kill -9 of driver and workers at random
    python tests/benchmarks/survey.py kills --kills 50 --dask   workers of a Dask cluster
    python tests/benchmarks/survey.py bad --clips 1000          20 bad files among them

Sound is made up
(`wingtone.simulate`) and written to a temporary folder, which needs 8.3 GB for a day at 48 kHz and twice that
for the comparison with hourly files. Clocks on the wall are told beside times on the processor, since a
computer that does other things as well makes the former worthless; where the two disagree, that is said.

*Expected speed-up.* With two cores, one worker leaves the driver a core to itself and two do not. So two
workers can be at most ``2 W / (W + D)`` times as fast, with W and D the processor's time of worker and driver
per clip.
"""

from __future__ import annotations

import argparse
import math
import os
import random
import shutil
import subprocess
import sys
import tempfile
import threading
import time
import wave
from pathlib import Path
from typing import TYPE_CHECKING, Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
import soundfile

from benchmarks.kept import add_out, keep
from survey.killing import kill_at_random, start, workers_of
from survey.made_up import rows, tables, write_clips
from wingtone.survey import LocalWorkers, Progress, run_survey

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

DAY_RATE_HZ = 48_000
CORE_HOUR_COST, STORE_COST_A_MONTH = 0.05, 0.023
"""Common prices of rented machines, per core-hour and per GB; no source."""


class Watch:
    """Follows a survey in this process: memory of driver and workers, and the processor's time."""

    def __init__(self) -> None:
        self.driver_mb: list[float] = []
        self.worker_mb = 0.0
        self.worker_cpu: dict[int, float] = {}
        self.began = time.monotonic()
        self.cpu = time.process_time()

    def __call__(self, progress: Progress) -> None:
        if progress.done % 20 and progress.done != progress.of:
            return
        self.driver_mb.append(_status_mb(os.getpid(), "VmRSS"))
        for pid in workers_of(os.getpid()):
            self.worker_mb = max(self.worker_mb, _status_mb(pid, "VmHWM"))
            self.worker_cpu[pid] = _cpu_s(pid)

    def wall_s(self) -> float:
        return time.monotonic() - self.began

    def driver_cpu_s(self) -> float:
        return time.process_time() - self.cpu


def _status_mb(pid: int, what: str) -> float:
    try:
        words = Path(f"/proc/{pid}/status").read_text("ascii").split()
    except OSError:
        return 0.0
    return float(words[words.index(f"{what}:") + 1]) / 1024


def _cpu_s(pid: int) -> float:
    try:
        fields = Path(f"/proc/{pid}/stat").read_text("ascii").rsplit(")", 1)[1].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def load() -> str:
    """How busy the computer is."""
    return f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"


# --- scaling ----------------------------------------------------------------------------------------------


def write_many(folder: Path, count: int, *, duration_s: float = 10.0) -> None:
    """So many different files: few sounds, each with other bytes at its end, as making sound takes long."""
    write_clips(folder, min(count, 48), duration_s=duration_s)
    made = sorted(folder.rglob("*.wav"))
    for i in range(len(made), count):
        source = made[i % len(made)]
        copy = source.with_name(f"copy {i:05d} {source.name}")
        copy.write_bytes(source.read_bytes() + i.to_bytes(4, "little"))


BURN = "import time\nwhile time.process_time() < 3: pass"


def free_speed_up() -> float:
    """How much faster two processes that only count are than one, now: 2 where two cores are free."""

    def burn(count: int) -> float:
        began = time.monotonic()
        running = [subprocess.Popen([sys.executable, "-c", BURN]) for _ in range(count)]
        for one in running:
            one.wait()
        return time.monotonic() - began

    return 2 * burn(1) / burn(2)


def scaling(base: Path, clips: int, out: Path | None) -> None:
    """Two workers against one."""
    free = free_speed_up()
    place = base / "in"
    write_many(place, clips)
    before = load()
    lines = [
        f"# {clips} clips of 10 s, one worker and two ({before} before)",
        "",
        "| workers | on the clock | processor, workers | processor, driver | manifest | driver's memory, "
        "first to last | most in a worker | times real time |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    walls, cpus, shares = {}, {}, {}
    for count in (1, 2):
        watch = Watch()
        report = run_survey(place, base / f"out{count}", workers=LocalWorkers(count), progress=watch)
        walls[count], cpus[count] = watch.wall_s(), (sum(watch.worker_cpu.values()), watch.driver_cpu_s())
        shares[count] = report.manifest_spent_s / sum(cpus[count])
        lines.append(
            f"| {count} | {walls[count]:.1f} s | {cpus[count][0]:.1f} s | {cpus[count][1]:.1f} s | "
            f"{report.manifest_spent_s:.2f} s ({shares[count]:.2%}) | {watch.driver_mb[0]:.0f} to "
            f"{watch.driver_mb[-1]:.0f} MB | {watch.worker_mb:.0f} MB | {report.heard_s / walls[count]:.0f} |"
        )
    assert tables(base / "out1") == tables(base / "out2")
    worker, driver = (value / clips for value in cpus[1])
    lines += [
        "",
        f"On the clock two workers are {walls[1] / walls[2]:.2f} times as fast as one ({load()} after), "
        f"where two processes that only count were {free:.2f} times as fast before. "
        f"A clip takes {1000 * worker:.1f} ms of the processor's time in the worker and "
        f"{1000 * driver:.2f} ms in the driver: two cores that do nothing else allow "
        f"{2 * worker / (worker + driver):.2f}.",
    ]
    figures = {
        "clips": clips,
        "two_workers_times_one": walls[1] / walls[2],
        "two_that_count_times_one": free,
        "allowed_times_one": 2 * worker / (worker + driver),
        "manifest_percent": 100 * max(shares.values()),
        "clip_ms": 1000 * worker,
    }
    keep("survey_scaling", "\n".join(lines), figures, out=out)


# --- a long recording -------------------------------------------------------------------------------------


def garden_minutes(minutes: int = 20) -> list[NDArray[np.int16]]:
    """Minutes of made-up sound at 48 kHz: wind, hiss and birds, with bees in an eighth of the time."""
    from wingtone.simulate import make_scene, negative_scene

    kinds = ("wind", "birds", "wind", "hiss", "leaves")
    out = []
    for minute in range(minutes):
        parts = []
        for k in range(6):
            seed = 6 * minute + k
            if k == 3 and minute % 4 != 3:
                condition = ("hover", "fly-by", "glide")[minute % 3]
                scene = make_scene(
                    900 + seed, condition=condition, snr_db=10, duration_s=10.0, rate_hz=DAY_RATE_HZ
                )
            else:
                scene = negative_scene(300 + seed, kind=kinds[seed % 5], duration_s=10.0, rate_hz=DAY_RATE_HZ)
            parts.append((scene.samples[0] * 32767).clip(-32768, 32767).astype(np.int16))
        out.append(np.concatenate(parts))
    return out


def day(base: Path, hours: float, out: Path | None) -> None:
    """A long recording, and the same sound in hourly files."""
    minutes = garden_minutes()
    long, cut = base / "long", base / "cut"
    long.mkdir()
    cut.mkdir()
    order = random.Random(3)
    # RF64, as recorders write what is too long for WAV (EBU Tech 3306).
    with soundfile.SoundFile(long / "day.rf64", "w", DAY_RATE_HZ, 1, "PCM_16", format="RF64") as whole:
        for hour in range(math.ceil(hours)):
            with wave.open(str(cut / f"hour {hour:02d}.wav"), "wb") as part:
                part.setparams((1, 2, DAY_RATE_HZ, 0, "NONE", "NONE"))
                for _ in range(min(60, round(60 * (hours - hour)))):
                    # Shifted by a random part of a minute, so that bees lie anywhere, over joins as well.
                    minute = np.roll(order.choice(minutes), order.randrange(60 * DAY_RATE_HZ))
                    whole.write(minute)
                    part.writeframes(minute.tobytes())
    del minutes
    watch = Watch()
    report = run_survey(long, base / "out_long", workers=LocalWorkers(1), progress=watch)
    run_survey(cut, base / "out_cut", workers=LocalWorkers(1))
    one = [_bout(row) for row in rows(base / "out_long" / "bouts.csv")]
    other = sorted(
        _bout(row, later_s=3600.0 * int(row["path"][-6:-4])) for row in rows(base / "out_cut" / "bouts.csv")
    )
    alike, near, joins, odd = compare(one, other)
    apart = ", ".join(f"{abs(b[0] - round(b[0] / 3600) * 3600):.1f}" for b in odd) or "none"
    spent = sum(watch.worker_cpu.values())
    speed = report.heard_s / spent
    checksum = checksum_gb_s(long / "day.rf64")
    lines = [
        f"# One recording of {hours:g} hours at 48 kHz, and the same in hourly files",
        "",
        f"- One worker: {speed:.0f} times real time by the processor's time "
        f"({spent:.0f} s), {report.heard_s / report.elapsed_s:.0f} by the clock ({load()}).",
        f"- Most memory: {watch.worker_mb:.0f} MB in the worker, {max(watch.driver_mb):.0f} MB in the "
        "driver, which made the sound as well.",
        f"- {len(one)} bouts; hourly files give {len(other)}. The same to the last figure: {alike}; the "
        f"same kind, within 50 ms and 1 % of tone: {near}; cut at a join between files: {joins}; unlike: "
        f"{len(odd)} (of one or the other; they begin so many seconds from a join: {apart}).",
        f"- The checksum alone goes through {checksum:.1f} GB a second of the processor.",
    ]
    figures = {
        "hours": hours,
        "times_real_time": speed,
        "worker_mb": watch.worker_mb,
        "bouts": len(one),
        "alike": alike,
        "near": near,
        "joins": joins,
        "unlike": len(odd),
        "otherwise": joins + len(odd),
        "checksum_gb_s": checksum,
        "thousand_hours": thousand_hours(speed),
    }
    keep("survey_day", "\n".join(lines), figures, out=out)


def thousand_hours(times_real_time: float) -> dict[str, float]:
    """What 1,000 hours at 48 kHz and 16 bits take, reckoned from the speed of one core."""
    gb = 1000 * 3600 * DAY_RATE_HZ * 2 / 1e9
    return {
        "price_of_a_core_hour": CORE_HOUR_COST,
        "price_of_a_gb_a_month": STORE_COST_A_MONTH,
        "core_hours": 1000 / times_real_time,
        "minutes_on_eight_cores": 60 * 1000 / times_real_time / 8,
        "cost": CORE_HOUR_COST * 1000 / times_real_time,
        "gb": gb,
        "hours_over_1_gbit": gb * 8 / 3600,
        "store_cost_a_month": STORE_COST_A_MONTH * gb,
    }


def checksum_gb_s(path: Path) -> float:
    """How fast the checksum of a file is taken, by the processor's time."""
    from wingtone import audio

    began = time.process_time()
    audio.sha256_of(path)
    return path.stat().st_size / 1e9 / (time.process_time() - began)


def _bout(row: dict[str, str], *, later_s: float = 0.0) -> tuple[float, float, float, str]:
    return (
        round(float(row["start_s"]) + later_s, 3),
        round(float(row["end_s"]) + later_s, 3),
        float(row["f0_hz"]),
        row["kind"],
    )


def compare(one: list[Any], other: list[Any]) -> tuple[int, int, int, list[Any]]:
    """Count bouts that are equal, near and cut at a join, and give those that are unlike."""
    left, right = sorted(set(one) - set(other)), sorted(set(other) - set(one))
    alike, near, joins = len(set(one) & set(other)), 0, 0
    for bout in list(left):
        match = next(
            (
                b
                for b in right
                if abs(b[0] - bout[0]) <= 0.05
                and abs(b[1] - bout[1]) <= 0.05
                and abs(b[2] / bout[2] - 1) < 0.01
                and b[3] == bout[3]
            ),
            None,
        )
        if match:
            left.remove(bout)
            right.remove(match)
            near += 1
    for bout in list(left):
        join = round(bout[1] / 3600) * 3600
        if bout[0] < join + 0.1 and bout[1] > join - 0.1:
            halves = [b for b in right if b[0] > bout[0] - 0.1 and b[1] < bout[1] + 0.1]
            left.remove(bout)
            right = [b for b in right if b not in halves]
            joins += 1
    return alike, near, joins, left + right


# --- hardship ---------------------------------------------------------------------------------------------


def kills(base: Path, count: int, clips: int, out: Path | None) -> None:
    """Kill driver and workers at random."""
    place = base / "in"
    write_many(place, clips, duration_s=6.0)
    start(place, base / "calm", "--workers", "2").wait()
    done = kill_at_random(place, base / "rough", "--workers", "2", kills=count, seed=8, longest_s=2.5)
    equal = _equal(base)
    lines = [
        f"# {clips} clips, killed at random",
        "",
        f"- Driver killed {done['driver']} times, a worker {done['workers']} times, {done['runs']} runs.",
        f"- Tables equal those of an undisturbed survey, row for row: {'yes' if equal else 'NO'}.",
    ]
    # A survey that is done before its last kills has met fewer than were asked for: then give it more clips.
    figures = {"clips": clips, "kills": done["driver"] + done["workers"], **done, "equal": equal}
    keep("survey_kills", "\n".join(lines), figures, out=out, seed=8)
    assert equal


def cluster_kills(base: Path, count: int, clips: int, out: Path | None) -> None:
    """Kill the workers of a Dask cluster at random; for each a new one is started."""
    import distributed

    from wingtone.survey.cluster import ClusterWorkers

    place = base / "in"
    write_many(place, clips, duration_s=6.0)
    start(place, base / "calm", "--workers", "2").wait()
    make: Any = distributed.LocalCluster
    chance = random.Random(9)
    with make(n_workers=0, dashboard_address=None, silence_logs=50) as cluster:
        address = cluster.scheduler_address
        workers = [_dask_worker(address) for _ in range(2)]
        cluster.wait_for_workers(2)
        done = threading.Event()
        lost = 0

        def rob() -> None:
            nonlocal lost
            while lost < count and not done.wait(chance.uniform(0.5, 4.0)):
                i = chance.randrange(2)
                workers[i].kill()
                workers[i].wait()
                workers[i] = _dask_worker(address)
                lost += 1

        robber = threading.Thread(target=rob)
        robber.start()
        run_survey(place, base / "rough", workers=ClusterWorkers(address))
        done.set()
        robber.join()
        for worker in workers:
            worker.kill()
            worker.wait()
    equal = _equal(base)
    lines = [
        f"# {clips} clips on a Dask cluster of two workers that is robbed of them",
        "",
        f"- Workers killed: {lost}.",
        f"- Tables equal those of local workers undisturbed, row for row: {'yes' if equal else 'NO'}.",
    ]
    figures = {"clips": clips, "workers": lost, "equal": equal}
    keep("survey_kills_dask", "\n".join(lines), figures, out=out, seed=9, packages=("distributed",))
    assert equal


def _dask_worker(address: str) -> subprocess.Popen[bytes]:
    command = (
        "-m",
        "distributed.cli.dask_worker",
        address,
        "--nthreads",
        "1",
        "--no-nanny",
        "--no-dashboard",
    )
    return subprocess.Popen([sys.executable, *command], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def _equal(base: Path) -> bool:
    return tables(base / "calm") == tables(base / "rough")


def bad(base: Path, clips: int, out: Path | None) -> None:
    """Bad files among many good ones."""
    place = base / "in"
    write_many(place, clips - 20, duration_s=4.0)
    good = next(iter(sorted(place.rglob("*.wav")))).read_bytes()
    makers: list[Callable[[int], tuple[str, bytes]]] = [
        lambda i: (f"words {i}.wav", b"only words, " * (i + 1)),
        lambda i: (f"empty {i}.m4a", b""),
        lambda i: (f"zeros {i}.mp3", bytes(1000 + i)),
        lambda i: (f"picture {i}.wav", b"\x89PNG\r\n\x1a\n" + bytes(50 + i)),
        lambda i: (f"head alone {i}.wav", good[:40] + bytes([i])[:0]),
    ]
    planted = set()
    for i in range(20):
        name, content = makers[i % 5](i)
        (place / name).write_bytes(content)
        planted.add(str(place / name))
    driver = start(place, base / "out", "--workers", "2")
    status = driver.wait()
    told = rows(base / "out" / "recordings.csv")
    named = {row["path"] for row in told if row["status"] == "failed" and len(row["reason"]) > 10}
    done = sum(row["status"] == "done" for row in told)
    lines = [
        f"# 20 bad files among {clips}",
        "",
        f"- Named with a reason: {len(named & planted)} of 20; good ones named: {len(named - planted)}.",
        f"- Done: {done} of {clips - 20}. Exit status {status}.",
    ]
    figures = {
        "clips": clips,
        "bad": len(planted),
        "named": len(named & planted),
        "good_named": len(named - planted),
        "done": done,
        "exit_status": status,
    }
    keep("survey_bad", "\n".join(lines), figures, out=out)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("what", choices=("scaling", "day", "kills", "bad"))
    parser.add_argument("--clips", type=int, default=200)
    parser.add_argument("--hours", type=float, default=2.0)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--dask", action="store_true")
    parser.add_argument("--folder", type=Path, help="for the made-up sound; without it a temporary one")
    add_out(parser)
    chosen = parser.parse_args()
    base = Path(tempfile.mkdtemp(prefix="wingtone-survey-", dir=chosen.folder))
    try:
        if chosen.what == "scaling":
            scaling(base, chosen.clips, chosen.out)
        elif chosen.what == "day":
            day(base, chosen.hours, chosen.out)
        elif chosen.what == "kills":
            (cluster_kills if chosen.dask else kills)(base, chosen.kills, chosen.clips, chosen.out)
        else:
            bad(base, chosen.clips, chosen.out)
    finally:
        shutil.rmtree(base)


if __name__ == "__main__":
    main()

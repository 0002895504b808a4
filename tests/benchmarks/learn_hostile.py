"""Five hundred damaged and hostile model files: each is refused, or the same in effect.

    python tests/benchmarks/learn_hostile.py

Half are changed at random (bits, bytes, cuts, insertions), half carry nonsense in a header that is packed
well and has a right checksum. An audit hook watches every load: no import of something new, no process, no
file opened for writing, no unpickling; and the peak of traced memory is told.
"""

from __future__ import annotations

import argparse
import pickle
import random
import sys
import tempfile
import tracemalloc
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.kept import add_out, keep
from fuzz.archives import header_mutated
from fuzz.torn import torn
from learn.made_up import population
from learn.test_model_file import alike
from wingtone.errors import InputError
from wingtone.learn.model_file import load_model, save_model
from wingtone.learn.training import train

FILES = 500
FORBIDDEN = (
    "exec",
    "import",
    "pickle.find_class",
    "subprocess.Popen",
    "os.system",
    "os.exec",
    "socket.connect",
)

_watched: list[str] | None = None


def watch(event: str, arguments: tuple[object, ...]) -> None:
    """Note what no load of a model should do."""
    if _watched is None:
        return
    if event in FORBIDDEN or (event == "open" and str(arguments[1]) not in ("r", "rb")):
        _watched.append(f"{event} {arguments[:2]}")


def main() -> int:
    """Run and report; exit status 1 when anything went wrong."""
    global _watched
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--files", type=int, default=FILES)
    add_out(parser)
    options = parser.parse_args()
    bees = population(21, animals=24, clips=3)
    model = train(bees.dataset(), kind="discriminant")
    refused = same = other = broken = 0
    rng = random.Random(2026)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "model.wingtone"
        save_model(model, file)
        data = file.read_bytes()
        assert alike(load_model(file), model)
        sys.addaudithook(watch)
        tracemalloc.start()
        noted: list[str] = []
        _watched = noted
        pickle.loads(pickle.dumps(Path))  # the watch must see what it is there to see
        assert noted, "the audit hook does not work"
        _watched = None
        noted.clear()
        for number in range(options.files):
            file.write_bytes((torn if number % 2 else header_mutated)(data, rng))
            _watched = noted
            try:
                found = load_model(file)
            except InputError:
                refused += 1
                continue
            except Exception as error:
                broken += 1
                print(f"{type(error).__name__}: {error}")
                continue
            finally:
                _watched = None
            if alike(found, model):
                same += 1
                continue
            # A changed header with a right checksum may hold another temperature: still a sound model.
            probability = np.exp(found.numbers.log_posterior(bees.table))
            other += 1
            broken += number % 2 == 1 or not np.allclose(probability.sum(axis=1), 1.0)
    peak = tracemalloc.get_traced_memory()[1]
    values = {
        "files": options.files,
        "refused": refused,
        "same": same,
        "other": other,
        "wrong": broken,
        "forbidden": len(noted),
        "peak_mb": peak / 1e6,
    }
    text = (
        f"{options.files} files: {refused} refused, {same} the same in effect, {other} another sound model "
        f"(header changed with its checksum), {broken} wrong; {len(noted)} forbidden events; "
        f"peak {peak / 1e6:.1f} MB."
    )
    for line in noted[:10]:
        print(line, file=sys.stderr)
    keep("learn_hostile", text, values, out=options.out, seed=2026)
    return int(bool(broken or noted))


if __name__ == "__main__":
    sys.exit(main())

"""Model files, and what the page keeps of a measurement: archives that were damaged, or packed with intent.

- `model_bytes`: an honest model of made-up bees.
- `rewritten`, `header_mutated`, `hostile_model`: damaged and hostile ones.
- `Watched`: an object whose unpickling leaves a mark.
- `hostile_arrays`: an ``npz`` with arrays of other shapes, kinds and claims.
"""

from __future__ import annotations

import functools
import io
import json
import pickle
import tempfile
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from fuzz.torn import torn

if TYPE_CHECKING:
    import random
    from collections.abc import Callable

__all__ = [
    "MARK",
    "Watched",
    "header_mutated",
    "hostile_arrays",
    "hostile_model",
    "model_bytes",
    "resealed",
    "rewritten",
]

MARK = "run-by-a-file"
"""The file that appears in the working folder when something in an input was run."""


class Watched:
    """Unpickling this runs a command: it leaves a mark."""

    def __reduce__(self) -> tuple[Any, ...]:
        return Path.touch, (Path(MARK),)


@functools.cache
def model_bytes() -> bytes:
    """Train a small model of made-up bees; the same bytes each time."""
    from learn.made_up import population
    from wingtone.learn.model_file import save_model
    from wingtone.learn.training import train

    bees = population(21, animals=24, clips=3)
    model = train(
        bees.dataset(recordings=("ab" * 32,)), kind="discriminant", name="garden", card={"title": "T"}
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "garden.wingtone")
        save_model(model, path)
        return path.read_bytes()


def rewritten(
    data: bytes, change: Callable[[dict[str, bytes]], None], *, packed: int = zipfile.ZIP_STORED
) -> bytes:
    """Change the members of a model and pack them well, as somebody with intent would."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    change(members)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", packed) as archive:
        for name, content in members.items():
            archive.writestr(zipfile.ZipInfo(name), content, packed)  # without the time of day
    return out.getvalue()


def resealed(members: dict[str, bytes], header: dict[str, Any]) -> None:
    """Put a header back with the checksum that belongs to it."""
    from wingtone.learn import model_file

    header["sha256"] = model_file._checksum(header, members)
    members["header.json"] = json.dumps(header).encode()


def header_mutated(data: bytes, rng: random.Random) -> bytes:
    """Put something unfitting into the header, and give it a right checksum."""

    def change(members: dict[str, bytes]) -> None:
        header = json.loads(members.pop("header.json"))
        where: Any = header
        while True:
            key = rng.choice(list(where) if isinstance(where, dict) else range(len(where)))
            inner = where[key]
            if isinstance(inner, (dict, list)) and inner and rng.random() < 0.6:
                where = inner
                continue
            odd: tuple[Any, ...] = (
                *(None, [], {}, "x" * 5000, -1, 0, 10**14, 10**400, 1e300, True),
                *([[[[[[[[[[]]]]]]]]]], "\0", "\x1b[2J", "queen"),
            )
            where[key] = rng.choice(odd)
            break
        resealed(members, header)

    return rewritten(data, change)


def hostile_model(draw: random.Random) -> bytes:
    """Give a model file that is damaged, or well packed around something that does not belong there."""
    data = model_bytes()
    how = draw.randrange(8)
    if how < 3:
        return torn(data, draw)
    if how < 5:
        return header_mutated(data, draw)
    if how == 5:  # an array of another shape, of objects, or one that claims to be huge
        evil = _array(draw)

        def plant(members: dict[str, bytes]) -> None:
            header = json.loads(members.pop("header.json"))
            members[draw.choice(sorted(members))] = evil
            resealed(members, header)

        return rewritten(data, plant)
    if how == 6:  # members that unpack to far more than the file, or stand where they should not

        def pack(members: dict[str, bytes]) -> None:
            name = draw.choice(
                ("header.json", "centre.npy", "../escaped.npy", "/escaped.npy", "forest.skops", "a\nb")
            )
            members[name] = draw.choice((bytes(20_000_000), b"", pickle.dumps(Watched())))

        return rewritten(
            data, pack, packed=draw.choice((zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_STORED))
        )
    return draw.choice(
        (pickle.dumps(Watched()), b"", b"PK\x05\x06" + bytes(18), b"PK\x03\x04" + bytes(40), data[:-30])
    )


def _array(draw: random.Random) -> bytes:
    out = io.BytesIO()
    how = draw.randrange(4)
    if how == 0:
        np.save(out, np.array([Watched()], dtype=object), allow_pickle=True)
    elif how == 1:
        shape = draw.choice(((10**12,), (2**62, 2**62), (-1,), ()))
        kind = draw.choice(("<f8", "|O", "<U4000000000", "<i8"))
        np.lib.format.write_array_header_1_0(out, {"descr": kind, "fortran_order": False, "shape": shape})
    elif how == 2:
        values = draw.choice(
            (np.zeros(3), np.full(5, np.nan), np.ones((2, 2), "<c16"), np.array(["x"]), np.zeros((0,)))
        )
        np.save(out, values, allow_pickle=False)
    else:
        out.write(b"\x93NUMPY" + draw.randbytes(draw.randrange(200)))
    return out.getvalue()


def hostile_arrays(data: bytes, draw: random.Random) -> bytes:
    """Damage an ``npz``: as a file, or in one of its arrays."""
    if draw.random() < 0.4:
        return torn(data, draw)

    def plant(members: dict[str, bytes]) -> None:
        name = draw.choice(sorted(members))
        how = draw.randrange(3)
        if how == 0:
            del members[name]
        elif how == 1:
            members[name] = _array(draw)
        else:
            members[draw.choice((name, "other.npy"))] = bytes(30_000_000)

    return rewritten(data, plant, packed=draw.choice((zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)))

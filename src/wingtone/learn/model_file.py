"""The file of a trained model: plain data that is checked before it is believed.

Layout
------
A ZIP archive (``.wingtone``) with stored members and fixed dates, so that the same model gives the same
bytes:

- ``header.json``  everything but the arrays, as `_header` writes it
- ``<array>.npy``  one for each of `ARRAYS`, little-endian float64, version 1.0, without pickling
- ``forest.skops`` only for the forest kinds: the trees, read with skops and a fixed list of types

Reading runs nothing of what is in a file. Sizes are bounded before anything is unpacked; members, shapes,
types, finiteness, names of classes and features, and a checksum over all of it are checked. A file that is
damaged, foreign or of another version is refused with the reason. The trees of the forest kinds are plain
scikit-learn objects: skops builds only types named here, but it is no sandbox, so use such a file only from
somebody you trust.

- `save_model`, `load_model`
- `usable_model`: the same, and everything there that is needed to listen with it
- `path_of_model`, `shipped_model`: where a model lies, and where the demonstration model does
"""

from __future__ import annotations

import hashlib
import importlib
import importlib.util
import io
import json
import math
import struct
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from wingtone.errors import InputError, MissingExtraError
from wingtone.evidence.lineup import CASTES
from wingtone.files import replacing, what_is
from wingtone.learn.assessment import Assessment
from wingtone.learn.features import FEATURES_VERSION, NAMES
from wingtone.learn.kinds import KINDS, LINEAR
from wingtone.learn.model import Model, check_usable
from wingtone.learn.numbers import Numbers
from wingtone.learn.scores import Interval

if TYPE_CHECKING:
    import os
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from wingtone.fauna import Fauna

    Floats = NDArray[np.float64]

__all__ = ["SCHEMA", "load_model", "path_of_model", "save_model", "shipped_model", "usable_model"]

SCHEMA = "wingtone/model/1"
DEMONSTRATION, SHIPPED = "demonstration", "demonstration.wingtone"
HEADER, FOREST = "header.json", "forest.skops"
ARRAYS = ("centre", "scale", "coefficients", "intercept", "prior", "means", "whitening")

MOST_BYTES = 2_000_000
MOST_FOREST_BYTES = 64_000_000
MOST_HEADER_BYTES = 1_500_000
MOST_CLASSES = 50
MOST_TEXT = 2000
MOST_ITEMS = 20_000
DEEPEST = 8
"""Ours: a hundred times an ordinary model, and nothing a small machine could not hold."""

_DATE = (1980, 1, 1, 0, 0, 0)  # the first that ZIP knows: the same model gives the same bytes
_NPY = b"\x93NUMPY\x01\x00"

FOREST_TYPES = (
    "sklearn.ensemble._hist_gradient_boosting.predictor.TreePredictor",
    "sklearn.tree._tree.Tree",
)
"""The only types a forest may hold beyond skops' own defaults."""


class _Refused(Exception):
    """Why a file is no model; caught in `load_model`."""


def save_model(model: Model, path: str | os.PathLike[str]) -> None:
    """Write a model; an existing file is replaced in one step.

    Raises
    ------
    OutputError
        The file cannot be written.
    MissingExtraError
        A forest kind, and skops is not installed.
    """
    members = {f"{name}.npy": _npy(getattr(model.numbers, name)) for name in ARRAYS}
    if model.numbers.kind not in LINEAR:
        members[FOREST] = _skops().dumps(model.numbers.forest)
    header = _header(model)
    header["sha256"] = _checksum(header, members)
    members = {HEADER: _dumps(header), **members}
    with replacing(path) as scratch, zipfile.ZipFile(scratch, "w", zipfile.ZIP_STORED) as archive:
        for name, data in members.items():
            archive.writestr(zipfile.ZipInfo(name, _DATE), data)


def shipped_model() -> Path:
    """Give the path of the demonstration model: in the installed package, or beside the source."""
    here = Path(__file__).resolve()
    folders = (here.parents[1] / "models", here.parents[3] / "models")
    return next((f / SHIPPED for f in folders if (f / SHIPPED).is_file()), folders[0] / SHIPPED)


def path_of_model(path: str | os.PathLike[str]) -> Path:
    """Give the path of a model: ``demonstration``, where there is no such file, is the one that ships."""
    path = Path(path)
    return shipped_model() if str(path) == DEMONSTRATION and not path.exists() else path


def usable_model(path: str | os.PathLike[str], *, fauna: Fauna | None = None) -> Model:
    """Read a model, and refuse one that could not be asked, before any recording is opened.

    Parameters
    ----------
    fauna
        Whose taxa a model of taxa may tell; None where only castes will do.

    Raises
    ------
    InputError
        See `load_model`.
    RequestError
        See `wingtone.learn.model.check_usable`.
    MissingExtraError
        What it needs to listen is not installed.
    """
    model = load_model(path)
    check_usable(model, fauna=fauna)
    if importlib.util.find_spec("librosa") is None:
        raise MissingExtraError("listening with a model (librosa)", "learn")
    return model


def load_model(path: str | os.PathLike[str]) -> Model:
    """Read and check a model.

    Parameters
    ----------
    path
        The file; ``demonstration`` (where there is no such file) is the one that ships.

    Raises
    ------
    InputError
        There is no file, or it is no model of ours that can be used; the reason is told.
    MissingExtraError
        A forest kind, and skops or scikit-learn is not installed.
    """
    path = path_of_model(path)
    try:
        return _read(path)
    except _Refused as error:
        what, remedy = f"not a usable model: {error}", "make one with wingtone train"
        raise InputError(what, remedy=remedy, where=path) from error
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror or error}", where=path) from error


# --- writing ----------------------------------------------------------------------------------------


def _header(model: Model) -> dict[str, Any]:
    return {
        "schema": SCHEMA,
        "wingtone_version": model.wingtone_version,
        "name": model.name,
        "target": model.target,
        "kind": model.numbers.kind,
        "classes": list(model.classes),
        "features": list(model.features),
        "features_version": model.features_version,
        "temperature": model.numbers.temperature,
        "limit": model.numbers.limit,
        "unused_features": [
            name
            for name, scale in zip(model.features, model.numbers.scale, strict=True)
            if not np.isfinite(scale)
        ],
        "card": dict(model.card),
        "training": dict(model.training),
        "assessment": model.assessment.to_json(),
    }


def _dumps(header: Mapping[str, Any]) -> bytes:
    return json.dumps(header, ensure_ascii=True, allow_nan=False, indent=1, sort_keys=True).encode()


def _npy(array: Floats) -> bytes:
    """Write an array as NPY 1.0; infinite scales are written as 0, which no used feature has."""
    file = io.BytesIO()
    finite = np.where(np.isfinite(array), array, 0.0).astype("<f8")
    np.lib.format.write_array(file, np.ascontiguousarray(finite), version=(1, 0), allow_pickle=False)
    return file.getvalue()


def _checksum(header: Mapping[str, Any], members: Mapping[str, bytes]) -> str:
    """SHA-256 over the header without its checksum, and over every member with its name and length."""
    digest = hashlib.sha256(_dumps({key: value for key, value in header.items() if key != "sha256"}))
    for name in sorted(members):
        digest.update(f"\n{name} {len(members[name])}\n".encode())
        digest.update(members[name])
    return digest.hexdigest()


def _skops() -> Any:
    try:
        return importlib.import_module("skops.io")
    except ImportError as error:
        raise MissingExtraError("a model of trees", "forest") from error


# --- reading ----------------------------------------------------------------------------------------


def _read(path: Path) -> Model:
    kind = what_is(path)
    if kind != "file":
        what = {
            "folder": "it is a folder",
            "other": "it is no ordinary file",
            "nothing": "there is no such file",
        }
        raise _Refused(what[kind])
    size = path.stat().st_size
    if size > MOST_FOREST_BYTES:
        raise _Refused(f"it is larger than {MOST_FOREST_BYTES:,} bytes")
    with path.open("rb") as file:
        data = file.read(size)
    members = _members(data)
    header = _parsed(members.pop(HEADER))
    checks = _Header(header)
    wanted = {f"{name}.npy" for name in ARRAYS} | ({FOREST} if checks.kind not in LINEAR else set())
    if set(members) != wanted:
        raise _Refused("it has not the parts a model has")
    if checks.kind in LINEAR and len(data) > MOST_BYTES:
        raise _Refused(f"it is larger than {MOST_BYTES:,} bytes")
    if header["sha256"] != _checksum(header, members):
        raise _Refused("its checksum is wrong: the file is damaged or was changed")
    arrays = _arrays(members, len(checks.classes), len(checks.features))
    forest = None if checks.kind in LINEAR else _forest(members[FOREST], checks, len(checks.features))
    used = ~np.isin(checks.features, checks.unused)
    scale = arrays["scale"]
    if not (scale[used] > 0).all() or scale[~used].any():
        raise _Refused("its scales are not positive")
    if not (arrays["prior"] > 0).all() or abs(arrays["prior"].sum() - 1) > 1e-6:
        raise _Refused("its class shares are no shares")
    numbers = Numbers(
        kind=checks.kind,
        temperature=checks.temperature,
        limit=checks.limit,
        forest=forest,
        **{**arrays, "scale": np.where(used, scale, np.inf)},
    )
    return Model(
        name=checks.name,
        target=checks.target,
        classes=checks.classes,
        features=checks.features,
        features_version=FEATURES_VERSION,
        numbers=numbers,
        card=checks.card,
        training=checks.training,
        assessment=checks.assessment,
        wingtone_version=checks.wingtone_version,
    )


def _members(data: bytes) -> dict[str, bytes]:
    """Unpack an archive of stored members, never more than its own size."""
    known = {HEADER, FOREST, *(f"{name}.npy" for name in ARRAYS)}
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            infos = archive.infolist()
            names = [info.filename for info in infos]
            if HEADER not in names or len(set(names)) != len(names) or not set(names) <= known:
                raise _Refused("it has not the parts a model has")
            for info in infos:
                # Stored only: what is read is never longer than the file itself.
                if info.compress_type != zipfile.ZIP_STORED or info.flag_bits & 0x1:
                    raise _Refused("its parts are packed")
                if info.file_size != info.compress_size or info.file_size > len(data):
                    raise _Refused("the lengths of its parts are wrong")
            if archive.getinfo(HEADER).file_size > MOST_HEADER_BYTES:
                raise _Refused("its header is too long")
            return {name: archive.read(name) for name in names}
    except _Refused:
        raise
    except (zipfile.BadZipFile, EOFError, ValueError, KeyError, struct.error, NotImplementedError) as error:
        raise _Refused("it is not an archive, or a damaged one") from error
    except (RuntimeError, OverflowError, OSError) as error:
        raise _Refused("it is a damaged archive") from error


def _parsed(data: bytes) -> dict[str, Any]:
    def refuse(text: str) -> Any:
        raise ValueError(text)

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        if len({key for key, _ in pairs}) != len(pairs):
            raise ValueError("a key stands twice")
        return dict(pairs)

    try:
        header = json.loads(data.decode("ascii"), parse_constant=refuse, object_pairs_hook=once)
    except (ValueError, RecursionError) as error:
        raise _Refused("its header is no JSON") from error
    if not isinstance(header, dict):
        raise _Refused("its header is no JSON object")
    if header.get("schema") != SCHEMA:
        raise _Refused(f"its schema is {str(header.get('schema'))[:60]!r}; this program reads {SCHEMA}")
    _bounded(header, [MOST_ITEMS], 0)
    return header


def _bounded(value: Any, left: list[int], depth: int) -> None:
    """Refuse what is nested too deep, too long or not finite."""
    left[0] -= 1
    if left[0] < 0 or depth > DEEPEST:
        raise _Refused("its header is too large")
    if isinstance(value, dict):
        for key, inner in value.items():
            _bounded(key, left, depth + 1)
            _bounded(inner, left, depth + 1)
    elif isinstance(value, list):
        for inner in value:
            _bounded(inner, left, depth + 1)
    elif isinstance(value, str):
        if len(value) > MOST_TEXT or not value.isprintable():
            raise _Refused("its header holds a text that is too long or not printable")
    elif isinstance(value, (int, float)) and not abs(value) < 1e15:  # nor is NaN
        raise _Refused("its header holds a number that is not finite")


class _Header:
    """The header's fields, each checked for what it must be."""

    def __init__(self, header: Mapping[str, Any]) -> None:
        self.header = header
        self.wingtone_version = self._of("wingtone_version", str)
        self.name = self._of("name", str)
        self.target = self._choice("target", ("caste", "taxon"))
        self.kind = self._choice("kind", KINDS)
        self.classes = self._texts("classes")
        self.features = self._texts("features")
        self.unused = self._texts("unused_features")
        self.temperature = self._positive("temperature")
        self.limit = self._positive("limit")
        self.card: dict[str, str] = self._of("card", dict)
        self.training: dict[str, Any] = self._of("training", dict)
        self._of("sha256", str)
        if self._of("features_version", int) != FEATURES_VERSION or self.features != NAMES:
            raise _Refused("it was made for other features than this program has: train it anew")
        if not 2 <= len(self.classes) <= MOST_CLASSES or len(set(self.classes)) != len(self.classes):
            raise _Refused("its classes are not at least two different ones")
        if self.target == "caste" and not set(self.classes) <= set(CASTES):
            raise _Refused("it tells castes that do not exist")
        if not set(self.unused) < set(self.features):
            raise _Refused("it uses no features")
        if not all(isinstance(text, str) for text in self.card.values()):
            raise _Refused("its card is not text")
        for key in ("recordings_sha256", "individuals_sha256"):
            self.training[key] = self._texts(key, self.training)
        self.assessment = self._assessment(self._of("assessment", dict))

    def _of(self, key: str, kind: type, within: Mapping[str, Any] | None = None) -> Any:
        value = (self.header if within is None else within).get(key)
        if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
            raise _Refused(f"{key} is missing or of the wrong kind")
        return value

    def _choice(self, key: str, choices: tuple[str, ...]) -> str:
        value: str = self._of(key, str)
        if value not in choices:
            raise _Refused(f"{key} is {value[:40]!r}")
        return value

    def _texts(self, key: str, within: Mapping[str, Any] | None = None) -> tuple[str, ...]:
        values = self._of(key, list, within)
        if not all(isinstance(value, str) for value in values):
            raise _Refused(f"{key} is not a list of texts")
        return tuple(values)

    def _positive(self, key: str) -> float:
        value = self.header.get(key)
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not 1e-6 < value < 1e7:
            raise _Refused(f"{key} is not a sensible number")
        return float(value)

    def _assessment(self, data: Mapping[str, Any]) -> Assessment:
        """Rebuild the assessment; it is only shown, but what is shown must be of the right kind."""
        try:
            return Assessment(
                of=str(data["of"]),
                grouped_by=str(data["grouped_by"]),
                classes=tuple(str(one) for one in data["classes"]),
                n_bouts=int(data["n_bouts"]),
                n_groups=int(data["n_groups"]),
                bouts_by_class=tuple(int(n) for n in data["bouts_by_class"]),
                groups_by_class=tuple(int(n) for n in data["groups_by_class"]),
                confusion=tuple(tuple(int(n) for n in row) for row in data["confusion"]),
                measures=_intervals(data["measures"]),
                reliability=tuple((float(s), float(o), float(w)) for s, o, w in data["reliability"]),
                baselines=_intervals(data["baselines"]),
                over_baselines=_intervals(data["over_baselines"]),
                ungrouped=None if data["ungrouped"] is None else _interval(data["ungrouped"]),
                learning_curve=tuple(
                    (int(n), float(mean), float(low), float(high))
                    for n, mean, low, high in data["learning_curve"]
                ),
                importance=tuple((str(name), float(loss)) for name, loss in data["importance"]),
                temperature=None if data["temperature"] is None else _interval(data["temperature"]),
                out_of_range=float(data["out_of_range"]),
                warnings=tuple((str(code), str(text)) for code, text in data["warnings"]),
            )
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise _Refused("its assessment is not complete") from error


def _interval(data: Mapping[str, Any]) -> Interval:
    value, low, high = (data[key] for key in ("value", "low", "high"))
    return Interval(*(math.nan if part is None else float(part) for part in (value, low, high)))


def _intervals(data: Mapping[str, Any]) -> dict[str, Interval]:
    return {str(key): _interval(value) for key, value in data.items()}


def _arrays(members: Mapping[str, bytes], k: int, m: int) -> dict[str, Floats]:
    shapes = {
        "centre": (m,),
        "scale": (m,),
        "coefficients": (k, m),
        "intercept": (k,),
        "prior": (k,),
        "means": (k, m),
        "whitening": (m, m),
    }
    return {name: _array(members[f"{name}.npy"], shape) for name, shape in shapes.items()}


def _array(data: bytes, shape: tuple[int, ...]) -> Floats:
    """Read an array of a shape known beforehand.

    The description inside the file is compared, as bytes, with the one we write for this shape; it is never
    interpreted, so it cannot ask for memory or for objects.
    """
    expected = _npy(np.zeros(shape))
    size = 8 * math.prod(shape)
    head = expected[: len(expected) - size]
    if not data.startswith(_NPY) or len(data) != len(expected) or not data.startswith(head):
        raise _Refused("an array has not the shape or kind it must have")
    array = np.frombuffer(data, "<f8", offset=len(head)).reshape(shape).astype(float)
    if not np.isfinite(array).all() or np.abs(array).max(initial=0.0) > 1e12:
        raise _Refused("an array holds values that are not finite")
    return array


def _forest(data: bytes, header: _Header, m: int) -> Any:
    """Read trees with skops: only the types in `FOREST_TYPES`, and they must answer as a classifier does."""
    skops = _skops()
    _check_inner_archive(data)
    loads: Callable[..., Any] = skops.loads
    try:
        unknown = set(skops.get_untrusted_types(data=data)) - set(FOREST_TYPES)
        if unknown:
            raise _Refused(f"its trees hold types that are not allowed: {', '.join(sorted(unknown))[:200]}")
        forest = loads(data, trusted=list(FOREST_TYPES))
        wanted = {"forest": "RandomForestClassifier", "boosting": "HistGradientBoostingClassifier"}[
            header.kind
        ]
        answer = np.asarray(forest.predict_proba(np.zeros((2, m))), dtype=float)
        right = type(forest).__name__ == wanted and answer.shape == (2, len(header.classes))
    except _Refused:
        raise
    except Exception as error:  # skops raises whatever a damaged file leads it to
        raise _Refused("its trees cannot be read by this version of scikit-learn") from error
    if not right or not np.isfinite(answer).all():
        raise _Refused("its trees are no classifier of its classes")
    return forest


def _check_inner_archive(data: bytes) -> None:
    """Refuse trees that would unpack to more than `MOST_FOREST_BYTES`."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if sum(info.file_size for info in archive.infolist()) > MOST_FOREST_BYTES:
                raise _Refused("its trees are too large")
    except (zipfile.BadZipFile, ValueError, struct.error) as error:
        raise _Refused("its trees are not an archive, or a damaged one") from error

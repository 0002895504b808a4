"""Which pieces of tone are flight: a small trained decision, kept as plain data.

Two kinds of judge read the features of a piece and give the probability of flight, sonication and anything
else; their mean counts. One adds up a bent line per feature (logistic regression on piecewise linear terms),
the other is a handful of one-layer networks (16 units each). They err differently: together they find more
bees at the same rate of false bouts than the networks alone. Half of either kind are not told how long a
tone runs on (their weights for that are 0): that tells a bee that turns about from a voice, but speaks
against one that passes. The other half are not told what other tones are heard in the seconds around: that
tells a buzz at a flower from flight, but speaks against a bee beside a machine. A third, linear stage names
what the rest sounds like. The numbers live in ``flight_gate.json`` beside this module, with a card that says
what they were trained on; ``tests/benchmarks/train_gate.py`` makes the file.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

SCHEMA = "wingtone/flight-gate/3"
KINDS = ("flight", "sonication", "other")
SOURCES = ("voice", "engine", "other")
CLIP = 3.0
"""Features are held within three standard deviations: beyond what was trained, more is not more."""


@dataclass(frozen=True)
class Network:
    """One hidden layer, tanh, softmax."""

    hidden: NDArray[np.float64]
    hidden_bias: NDArray[np.float64]
    output: NDArray[np.float64]
    output_bias: NDArray[np.float64]

    def probabilities(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Probability of each of `KINDS`; x of shape (n, n_features)."""
        return _softmax(np.tanh(x @ self.hidden + self.hidden_bias) @ self.output + self.output_bias)


@dataclass(frozen=True)
class BentLines:
    """Sum over the features of a piecewise linear function each, softmax.

    ``knots`` (n_features, n_knots) ascending, in standard deviations; ``values`` (n_features, n_knots, 3).
    """

    knots: NDArray[np.float64]
    values: NDArray[np.float64]
    bias: NDArray[np.float64]

    def probabilities(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Probability of each of `KINDS`; x of shape (n, n_features)."""
        total = np.tile(self.bias, (x.shape[0], 1))
        for column, knots, values in zip(x.T, self.knots, self.values, strict=True):
            for kind in range(total.shape[1]):
                total[:, kind] += np.interp(column, knots, values[:, kind])
        return _softmax(total)


@dataclass(frozen=True)
class Gate:
    """The trained decision. Shapes: ``centre``, ``scale``, ``missing`` (n_features,)."""

    features: tuple[str, ...]
    missing: NDArray[np.float64]
    centre: NDArray[np.float64]
    scale: NDArray[np.float64]
    networks: tuple[Network, ...]
    bent_lines: tuple[BentLines, ...]
    source_weights: NDArray[np.float64]
    source_bias: NDArray[np.float64]
    card: Mapping[str, Any]

    def _standardised(self, rows: Sequence[Mapping[str, float]]) -> NDArray[np.float64]:
        x = np.array([[row[name] for name in self.features] for row in rows], np.float64)
        x = x.reshape(len(rows), len(self.features))
        x = np.where(np.isfinite(x), x, self.missing)
        clipped: NDArray[np.float64] = np.clip((x - self.centre) / self.scale, -CLIP, CLIP)
        return clipped

    def kinds(self, rows: Sequence[Mapping[str, float]]) -> NDArray[np.float64]:
        """Probability of each of `KINDS` for each piece; shape (n_pieces, 3), rows sum to 1."""
        x = self._standardised(rows)
        by_networks = np.mean([net.probabilities(x) for net in self.networks], axis=0)
        by_lines = np.mean([lines.probabilities(x) for lines in self.bent_lines], axis=0)
        out: NDArray[np.float64] = 0.5 * (by_networks + by_lines)
        return out

    def sources(self, rows: Sequence[Mapping[str, float]]) -> NDArray[np.float64]:
        """For pieces that are not a bee: probability of each of `SOURCES`; shape (n_pieces, 3)."""
        return _softmax(self._standardised(rows) @ self.source_weights + self.source_bias)


def _softmax(values: NDArray[np.float64]) -> NDArray[np.float64]:
    e = np.exp(values - values.max(axis=1, keepdims=True)) if values.size else values
    out: NDArray[np.float64] = e / e.sum(axis=1, keepdims=True)
    return out


def to_gate(data: Mapping[str, Any]) -> Gate:
    """Build a `Gate` from the plain data of its file."""
    if data.get("schema") != SCHEMA:
        raise ValueError(f"not a flight gate: schema {data.get('schema')!r}")

    def array(value: Any) -> NDArray[np.float64]:
        return np.asarray(value, np.float64)

    return Gate(
        features=tuple(data["features"]),
        missing=array(data["missing"]),
        centre=array(data["centre"]),
        scale=array(data["scale"]),
        networks=tuple(
            Network(*(array(n[k]) for k in ("hidden", "hidden_bias", "output", "output_bias")))
            for n in data["networks"]
        ),
        bent_lines=tuple(
            BentLines(*(array(lines[k]) for k in ("knots", "values", "bias"))) for lines in data["bent_lines"]
        ),
        source_weights=array(data["source"]["weights"]),
        source_bias=array(data["source"]["bias"]),
        card=data["card"],
    )


@lru_cache(maxsize=1)
def load_gate() -> Gate:
    """Load the gate that ships with wingtone."""
    text = resources.files("wingtone.tone").joinpath("flight_gate.json").read_text("utf-8")
    return to_gate(json.loads(text))

"""How good a classifier is on animals it has not heard, and what would make that figure lie.

How it is done
--------------
- **Nested and grouped.** Five outer folds, stratified by class; a group (see `wingtone.learn.labels`) is
  never split. Everything the classifier chooses (strength, calibration, range) is chosen inside the training
  part, on groups held out there.
- **Every class counts the same**, as in balanced accuracy, so weighted log loss, Brier score and calibration
  hold for equal shares. Without class weights all bouts count the same.
- **The same without groups** is run beside it. When bouts of the same animal or day may lie on both sides the
  score rises by what the classifier knows of them instead of of their kind: that is leakage.
- **Beside baselines**: the commonest class, a tone threshold learnt on the same folds, the built-in cue.

- `Assessment`: the figures
- `cross_validate`: assess while training
- `judge`: assess a trained model on other bouts
- `refuse_too_little`, `LEAST_GROUPS`: below this nothing is trained
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from wingtone.errors import InputError
from wingtone.learn import scores
from wingtone.learn.scores import Interval

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from wingtone.learn.classifier import BoutClassifier
    from wingtone.learn.dataset import Dataset
    from wingtone.learn.numbers import Numbers

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int_]

__all__ = ["FEW_GROUPS", "LEAST_GROUPS", "Assessment", "cross_validate", "judge", "refuse_too_little"]

OUTER_FOLDS = 5
LEAST_GROUPS = 5
"""Groups of each class below which nothing is trained: one for each outer fold. Ours."""
FEW_GROUPS = 20
"""Groups of each class below which a warning is given: then the 95 % interval of a share of 0.8 is about 0.2
to either side (binomial). Ours."""
LEAKAGE = 0.05
PREDICTS = 0.15
"""Differences of balanced accuracy from which a warning is given, if they are also sure. Ours."""
MISFIT = 1.25
"""Softening from which a model is said to be no longer calibrated, if it is also sure: at 1.25 a stated 0.90
should have been 0.85. Ours."""
CURVE_SHARES = (0.25, 0.5, 0.75)
REPEATS = 3
"""Shares of the groups that the learning curve is drawn for, and shuffles of a feature. Ours."""
LEAST_TO_JUDGE = 3
"""Groups of each class below which a trained model is not judged on other bouts. Ours."""

COUNTED_AS = {"individual": "individual animals", "site-day": "days at a site", "file": "recordings"}


@dataclass(frozen=True)
class Assessment:
    """The figures, plain. Shares are 0..1; every `Interval` is over groups.

    Attributes
    ----------
    of
        ``cross-validation`` or ``other recordings``.
    grouped_by
        ``individual``, ``site-day`` or ``file``.
    n_bouts, n_groups, bouts_by_class, groups_by_class
        What it rests on.
    confusion
        Bouts, row = true class, column = class called.
    measures
        ``balanced_accuracy``, ``accuracy``, ``log_loss``, ``brier``, ``calibration_error``, and
        ``calibration_error_by_chance``: what the last would be if every stated probability were true.
    reliability
        (stated, observed, share of the bouts) of each filled bin, for the likeliest class.
    baselines
        Balanced accuracy of ``commonest class``, ``tone threshold`` and ``built-in cue``, where they apply.
    over_baselines
        How much better the classifier is than each, paired.
    ungrouped
        Balanced accuracy when groups are split; None when not worked out.
    learning_curve
        (groups trained on, mean, lowest, highest balanced accuracy over the folds).
    importance
        (feature, loss of balanced accuracy when its values are shuffled), the most important first.
    temperature
        What the stated probabilities would have to be softened by to fit; around 1 when still calibrated.
    out_of_range
        Share of the bouts that the model would not judge.
    warnings
        Pairs of a short code and a sentence.
    """

    of: str
    grouped_by: str
    classes: tuple[str, ...]
    n_bouts: int
    n_groups: int
    bouts_by_class: tuple[int, ...]
    groups_by_class: tuple[int, ...]
    confusion: tuple[tuple[int, ...], ...]
    measures: Mapping[str, Interval]
    reliability: tuple[tuple[float, float, float], ...]
    baselines: Mapping[str, Interval]
    over_baselines: Mapping[str, Interval]
    ungrouped: Interval | None = None
    learning_curve: tuple[tuple[int, float, float, float], ...] = ()
    importance: tuple[tuple[str, float], ...] = ()
    temperature: Interval | None = None
    out_of_range: float = 0.0
    warnings: tuple[tuple[str, str], ...] = field(default=())

    def to_json(self) -> dict[str, Any]:
        """Return plain lists and dictionaries."""
        return {key: _plain(value) for key, value in dataclasses.asdict(self).items()}


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(inner) for inner in value]
    if isinstance(value, float):
        return round(value, 6) if np.isfinite(value) else None
    return value


def refuse_too_little(dataset: Dataset) -> None:
    """Refuse a dataset from which nothing honest can be learnt.

    Raises
    ------
    InputError
        A single class, or a class with fewer than `LEAST_GROUPS` groups.
    """
    classes = dataset.classes
    if len(classes) < 2:
        raise InputError(
            f"all bouts are {classes[0]}: there is nothing to tell apart", remedy="add clips of another kind"
        )
    short = []
    for one in classes:
        n = len(np.unique(dataset.group[dataset.y == one]))
        if n < LEAST_GROUPS:
            short.append(f"{one}: {n}")
    if short:
        raise InputError(
            f"too little to learn from: every class needs bouts of at least {LEAST_GROUPS} different "
            f"{COUNTED_AS[dataset.grouped_by]} ({', '.join(short)})",
            remedy="record more, or leave that class out",
        )


@dataclass(frozen=True, eq=False)
class _Trial:
    """What is scored: truth, weights and groups of the bouts."""

    y: Ints
    classes: tuple[str, ...]
    group: Ints
    weight: Floats

    @property
    def k(self) -> int:
        """Number of classes."""
        return len(self.classes)

    def interval(self, called: Ints, less: Ints | None = None) -> Interval:
        """Balanced accuracy, or by how much it is above that of other calls, with its interval."""
        if (
            less is None and len(np.unique(called)) == 1
        ):  # right of one class, whatever is heard: no chance in it
            exact = float(np.mean(np.unique(self.y) == called[0]))
            return Interval(exact, exact, exact)
        other = None if less is None else less == self.y
        return scores.right_with_interval(called == self.y, self.y, self.group, less=other)

    def measures(self, probability: Floats) -> dict[str, Interval]:
        called, base = probability.argmax(axis=1), self.weight

        def over(measure: Callable[[Floats], float]) -> Interval:
            return scores.with_interval(measure, base, self.group)

        return {
            "balanced_accuracy": self.interval(called),
            "accuracy": scores.right_with_interval(called == self.y, np.zeros_like(self.y), self.group),
            "log_loss": over(lambda w: scores.log_loss(probability, self.y, weight=w)),
            "brier": over(lambda w: scores.brier(probability, self.y, weight=w)),
            "calibration_error": over(
                lambda w: scores.calibration_error(scores.reliability(probability, self.y, weight=w))
            ),
            "calibration_error_by_chance": scores.chance_calibration_error(probability, base, self.group),
        }


def _trial(y: Ints, classes: tuple[str, ...], group: Ints, *, balanced: bool) -> _Trial:
    weight = np.ones(len(y))
    if balanced:
        weight = weight / np.bincount(y)[y]
    return _Trial(y, classes, group, weight * (len(y) / weight.sum()))


def cross_validate(
    classifier: BoutClassifier,
    dataset: Dataset,
    *,
    published: Floats | None = None,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
) -> Assessment:
    """Assess a kind of classifier on a dataset by nested, grouped cross-validation.

    Parameters
    ----------
    classifier
        Unfitted; it is copied for every fold.
    published
        Log-likelihoods of the built-in cue, shape (n, k), see `wingtone.learn.baselines`; None when it does
        not apply.
    seed
        Of the folds and shuffles.
    progress
        Called with the share that is done, 0..1.

    Raises
    ------
    InputError
        Too little data, see `refuse_too_little`.
    """
    from sklearn.base import clone

    from wingtone.learn.classifier import folds

    refuse_too_little(dataset)
    tick = _Ticker(progress, total=2 * OUTER_FOLDS + 1)
    y = np.unique(dataset.y, return_inverse=True)[1]
    k, table, group = len(dataset.classes), dataset.table, dataset.group
    trial = _trial(y, dataset.classes, group, balanced=classifier.class_weight == "balanced")
    rng = np.random.default_rng(seed)

    def plain() -> BoutClassifier:
        """Copy for figures that rest on the likeliest class alone."""
        copy: BoutClassifier = clone(classifier).set_params(calibrated=False)
        return copy

    probability = np.full((len(y), k), np.nan)
    by_tone = np.zeros(len(y), int)
    outside = np.zeros(len(y), bool)
    curve: dict[float, list[tuple[int, float]]] = {share: [] for share in (*CURVE_SHARES, 1.0)}
    losses = []
    for train, test in folds(OUTER_FOLDS, y, group, seed=seed):
        fitted = clone(classifier).fit(table[train], y[train], groups=group[train])
        probability[test] = fitted.predict_proba(table[test])
        outside[test] = ~fitted.numbers_.in_range(table[test])
        by_tone[test] = _tone_threshold(dataset, y, train, test, k)
        losses.append(_importance(fitted, table[test], y[test], k, rng))
        curve[1.0].append((len(np.unique(group[train])), _score(fitted, table[test], y[test], k)))
        for share in CURVE_SHARES:
            part = _some_groups(train, y, group, share, rng)
            if part is not None:
                smaller = plain().fit(table[part], y[part], groups=group[part])
                score = _score(smaller, table[test], y[test], k)
                curve[share].append((len(np.unique(group[part])), score))
        tick()
    done = np.isfinite(probability[:, 0])
    if not done.all():
        raise InputError(
            "the groups cannot be divided so that every class is in every part",
            remedy="record more groups of the rarer classes, or leave a class out",
        )
    called = probability.argmax(axis=1)

    apart = np.zeros((len(y), k))
    for train, test in folds(OUTER_FOLDS, y, None, seed=seed):
        apart[test] = plain().fit(table[train], y[train]).predict_proba(table[test])
        tick()
    ungrouped = apart.argmax(axis=1)

    others = {"commonest class": np.full(len(y), int(np.bincount(y).argmax())), "tone threshold": by_tone}
    if published is not None:
        others["built-in cue"] = published.argmax(axis=1)
    assessment = _figures("cross-validation", dataset, trial, probability, others)
    leakage = trial.interval(ungrouped, less=called)
    points = [_curve_point(of_share) for of_share in curve.values() if of_share]
    tick()
    return dataclasses.replace(
        assessment,
        ungrouped=trial.interval(ungrouped),
        # With few groups two shares may be of as many, as there are 2 of each class at least.
        learning_curve=tuple({point[0]: point for point in points}.values()),
        importance=_ranked(dataset.features, np.mean(losses, axis=0)),
        out_of_range=float(outside.mean()),
        warnings=(*_warnings(dataset, trial, assessment), *_leakage(leakage)),
    )


def judge(
    numbers: Numbers, dataset: Dataset, classes: tuple[str, ...], *, published: Floats | None
) -> Assessment:
    """Assess a trained model on bouts it was not trained on.

    Parameters
    ----------
    numbers, classes
        Of the model.
    published
        As in `cross_validate`.

    Raises
    ------
    InputError
        A class the model does not know, a single class, or fewer than `LEAST_TO_JUDGE` groups in one.

    Notes
    -----
    Whether it is still calibrated is told by the temperature that would fit the other bouts best, with its
    interval over groups: 1 inside means nothing speaks against it.
    """
    unknown = sorted(set(dataset.classes) - set(classes))
    if unknown:
        raise InputError(
            f"the model does not know {', '.join(unknown)}; it knows {', '.join(classes)}",
            remedy="leave those rows out",
        )
    if len(dataset.classes) < 2:
        raise InputError("all bouts are of one class: that says little", remedy="add clips of another kind")
    for one in dataset.classes:
        if len(np.unique(dataset.group[dataset.y == one])) < LEAST_TO_JUDGE:
            raise InputError(
                f"too little to judge by: {one} needs bouts of at least {LEAST_TO_JUDGE} different "
                f"{COUNTED_AS[dataset.grouped_by]}"
            )
    y = np.array([classes.index(one) for one in dataset.y])
    trial = _trial(y, classes, dataset.group, balanced=True)
    log_posterior = numbers.log_posterior(dataset.table)
    probability = np.exp(log_posterior)
    others = {"commonest class": np.full(len(y), int(np.bincount(y).argmax()))}
    if published is not None:
        others["built-in cue"] = published.argmax(axis=1)
    assessment = _figures("other recordings", dataset, trial, probability, others)
    temperature = scores.with_interval(
        lambda weight: _best_temperature(log_posterior, y, weight), trial.weight, dataset.group
    )
    outside = float((~numbers.in_range(dataset.table)).mean())
    warnings = list(_warnings(dataset, trial, assessment))
    if temperature.low > 1.0 and temperature.value > MISFIT:
        what = (
            "the model is surer of itself on these recordings than it has reason to be: do not trust its odds"
        )
        warnings.append(("not calibrated", what))
    elif temperature.high < 1.0 and temperature.value < 1.0 / MISFIT:
        warnings.append(("not calibrated", "the model is less sure of itself here than it could be"))
    if outside > 0.1:
        what = (
            f"{100 * outside:.0f} % of the bouts are unlike anything in the training; "
            "there the built-in cue is used"
        )
        warnings.append(("out of range", what))
    return dataclasses.replace(
        assessment, temperature=temperature, out_of_range=outside, warnings=tuple(warnings)
    )


def _best_temperature(log_posterior: Floats, y: Ints, weight: Floats) -> float:
    from wingtone.learn.numbers import log_softmax

    grid = np.exp(np.linspace(np.log(0.2), np.log(10.0), 60))
    if weight.sum() <= 0:
        return float("nan")
    rows = np.arange(len(y))
    return float(grid[int(np.argmax([log_softmax(log_posterior / t)[rows, y] @ weight for t in grid]))])


def _figures(
    of: str, dataset: Dataset, trial: _Trial, probability: Floats, others: Mapping[str, Ints]
) -> Assessment:
    called = probability.argmax(axis=1)
    curve = scores.reliability(probability, trial.y, weight=trial.weight)
    shares = curve.weight / curve.weight.sum()
    table = scores.confusion(trial.y, called, trial.k)
    return Assessment(
        of=of,
        grouped_by=dataset.grouped_by,
        classes=trial.classes,
        n_bouts=len(trial.y),
        n_groups=int(trial.group.max()) + 1,
        bouts_by_class=tuple(int(n) for n in np.bincount(trial.y, minlength=trial.k)),
        groups_by_class=tuple(len(np.unique(trial.group[trial.y == c])) for c in range(trial.k)),
        confusion=tuple(tuple(int(n) for n in row) for row in table),
        measures=trial.measures(probability),
        reliability=tuple(
            (float(s), float(o), float(w))
            for s, o, w in zip(curve.stated, curve.observed, shares, strict=True)
        ),
        baselines={name: trial.interval(calls) for name, calls in others.items()},
        over_baselines={name: trial.interval(called, less=calls) for name, calls in others.items()},
    )


def _score(fitted: BoutClassifier, table: Floats, y: Ints, k: int) -> float:
    called = fitted.numbers_.log_posterior(table).argmax(axis=1)
    return scores.balanced_accuracy(scores.confusion(y, called, k))


def _importance(fitted: BoutClassifier, table: Floats, y: Ints, k: int, rng: np.random.Generator) -> Floats:
    """Loss of balanced accuracy when a feature's values are shuffled over the held-out bouts, shape (m,).

    Breiman 2001, Random forests, Machine Learning 45:5-32 (memory). Features that say the same thing stand in
    for one another, so each of them seems unimportant.
    """
    whole = _score(fitted, table, y, k)
    repeats = REPEATS if fitted.numbers_.forest is None else 1
    loss = np.zeros(table.shape[1])
    for column in range(table.shape[1]):
        shuffled = table.copy()
        for _ in range(repeats):
            shuffled[:, column] = rng.permutation(table[:, column])
            loss[column] += (whole - _score(fitted, shuffled, y, k)) / repeats
    return loss


def _ranked(features: tuple[str, ...], loss: Floats) -> tuple[tuple[str, float], ...]:
    return tuple((features[i], float(loss[i])) for i in np.argsort(-loss, kind="stable"))


def _curve_point(points: list[tuple[int, float]]) -> tuple[int, float, float, float]:
    score = np.array([score for _, score in points])
    return round(np.mean([n for n, _ in points])), float(score.mean()), float(score.min()), float(score.max())


def _some_groups(train: Ints, y: Ints, group: Ints, share: float, rng: np.random.Generator) -> Ints | None:
    """Take a share of the groups of each class, at least 2 of each; None when that is nearly all."""
    chosen: set[int] = set()
    for c in np.unique(y[train]):
        own = np.unique(group[train][y[train] == c])
        n = max(2, round(share * own.size))
        chosen |= set(rng.permutation(own)[:n].tolist())
    part = train[np.isin(group[train], list(chosen))]
    return part if len(part) < len(train) else None


def _tone_threshold(dataset: Dataset, y: Ints, train: Ints, test: Ints, k: int) -> Ints:
    """Call the classes by thresholds of the tone alone, learnt on the training part."""
    from sklearn.tree import DecisionTreeClassifier

    tone = np.log(dataset.f0_hz)[:, None]
    n_leaves = max(2, k)
    tree = DecisionTreeClassifier(max_leaf_nodes=n_leaves, class_weight="balanced", random_state=0)
    return np.asarray(tree.fit(tone[train], y[train]).predict(tone[test]))


def _warnings(dataset: Dataset, trial: _Trial, assessment: Assessment) -> list[tuple[str, str]]:
    out: list[tuple[str, str]] = []
    if dataset.grouped_by != "individual":
        by = COUNTED_AS[dataset.grouped_by]
        what = (
            f"not every row names the individual, so {by} were kept apart instead: if the same animal is in "
            "several, the scores are too good"
        )
        out.append(("individuals not named", what))
    for name, n in zip(assessment.classes, assessment.groups_by_class, strict=True):
        if 0 < n < FEW_GROUPS:
            what = (
                f"{name} rests on only {n} {COUNTED_AS[dataset.grouped_by]}; {FEW_GROUPS} or more are needed "
            )
            out.append(("few groups", what + "for a steady figure"))
    for name, values in dataset.surroundings.items():
        said = _predicted_by(values, trial)
        if said is not None and said.value > 1 / trial.k + PREDICTS and said.low > 1 / trial.k:
            what = (
                f"the {name} alone tells the class with a balanced accuracy of {100 * said.value:.0f} %: the "
                f"classifier may have learnt the {name} instead of the bee; record each class with all"
            )
            out.append((f"{name} predicts the class", what))
    error = assessment.measures["calibration_error"].value
    if error > assessment.measures["calibration_error_by_chance"].high:
        what = "how often it is right differs from what it states by more than chance: do not trust its odds"
        out.append(("probabilities doubtful", what))
    tone = assessment.over_baselines.get("tone threshold")
    if tone is not None and tone.low <= 0:
        what = "no better, as far as can be told, than a threshold of the tone alone"
        out.append(("tone alone is as good", what))
    return out


def _leakage(gap: Interval) -> list[tuple[str, str]]:
    if gap.value <= LEAKAGE or gap.low <= 0:
        return []
    what = (
        f"with the same animals on both sides the score would be {100 * gap.value:.0f} points higher: that "
        "is leakage; only the grouped figures are true of bees it has not heard"
    )
    return [("leakage", what)]


def _predicted_by(values: NDArray[np.str_], trial: _Trial) -> Interval | None:
    """How well a label of the surroundings tells the class of groups held out; None when it cannot.

    Each group is called what most of the other groups with the same label are, every class counting the same.
    """
    if not (values != "").all() or len(np.unique(values)) < 2:
        return None
    labels, of_label = np.unique(values, return_inverse=True)
    mass = np.zeros((len(labels), trial.k))
    np.add.at(mass, (of_label, trial.y), trial.weight)
    own = np.zeros((int(trial.group.max()) + 1, len(labels), trial.k))
    np.add.at(own, (trial.group, of_label, trial.y), trial.weight)
    rest = mass[of_label] - own[trial.group, of_label]
    share = trial.weight @ np.eye(trial.k)[trial.y]
    called = (rest / share).argmax(axis=1)
    return trial.interval(np.asarray(called))


class _Ticker:
    """Tells how much is done."""

    def __init__(self, progress: Callable[[float], None] | None, *, total: int) -> None:
        self.progress, self.total, self.done = progress, total, 0

    def __call__(self) -> None:
        self.done += 1
        if self.progress is not None:
            self.progress(self.done / self.total)

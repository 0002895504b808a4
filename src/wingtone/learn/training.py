"""From a dataset to a trained and assessed model.

- `train`: fit, assess, put together
- `check_extras`: whether the optional parts are there
- `assess`: judge a trained model on other recordings
- `DEMONSTRATION_NOTICE`: the notice of a model that is not for real bees
"""

from __future__ import annotations

import dataclasses
import importlib
import importlib.util
from typing import TYPE_CHECKING

from wingtone import __version__
from wingtone.errors import InputError, MissingExtraError, how_many
from wingtone.learn.kinds import LINEAR
from wingtone.learn.model import Model

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import numpy as np
    from numpy.typing import NDArray

    from wingtone.learn.assessment import Assessment
    from wingtone.learn.dataset import Dataset

__all__ = ["DEMONSTRATION_NOTICE", "assess", "check_extras", "train"]

DEMONSTRATION_NOTICE = "synthetic; for trying the commands; not for real bees"


def check_extras(kind: str) -> None:
    """Refuse to begin when an optional part is missing, before any recording is measured.

    Raises
    ------
    MissingExtraError
        scikit-learn, librosa or, for the kinds of trees, skops is not installed.
    """
    needed = [("sklearn", "learn"), ("librosa", "learn")]
    if kind not in LINEAR:
        needed.append(("skops", "forest"))
    for package, extra in needed:
        if importlib.util.find_spec(package) is None:
            raise MissingExtraError(f"training a classifier ({package})", extra)


def train(
    dataset: Dataset,
    *,
    kind: str = "logistic",
    class_weight: str | None = "balanced",
    name: str = "model",
    card: Mapping[str, str] | None = None,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
) -> Model:
    """Fit a classifier on all of a dataset, and assess its kind by cross-validation.

    Parameters
    ----------
    kind, class_weight
        See `wingtone.learn.classifier.BoutClassifier`.
    name
        Short name of the model.
    card
        ``title``, ``text`` and ``notice``, as far as there is something to say.
    seed
        Of folds, trees and shuffles: the same dataset gives the same model.
    progress
        Called with the share that is done, 0..1.

    Raises
    ------
    InputError
        Too little data, see `wingtone.learn.assessment.refuse_too_little`.
    MissingExtraError
        scikit-learn is not installed.
    """
    from wingtone.learn.assessment import cross_validate
    from wingtone.learn.classifier import BoutClassifier
    from wingtone.learn.features import FAMILIES, FEATURES_VERSION, NAMES

    families = tuple(FAMILIES[NAMES.index(one)] for one in dataset.features)
    classifier = BoutClassifier(kind, families=families, class_weight=class_weight, random_state=seed)
    published = _published(dataset, dataset.classes)
    # Hundreds of small fits: more threads only get in each other's way, and sums in another order would make
    # the last bit of a model depend on the machine's load.
    with importlib.import_module("threadpoolctl").threadpool_limits(1):
        assessment = cross_validate(classifier, dataset, published=published, seed=seed, progress=progress)
        fitted = classifier.fit(dataset.table, dataset.y, groups=dataset.group)
    return Model(
        name=name,
        target=dataset.target,
        classes=dataset.classes,
        features=dataset.features,
        features_version=FEATURES_VERSION,
        numbers=fitted.numbers_,
        card=dict(card or {}),
        training={
            "n_bouts": len(dataset),
            "n_groups": assessment.n_groups,
            "grouped_by": dataset.grouped_by,
            "class_weight": class_weight or "as counted",
            "seed": seed,
            "labels_sha256": dataset.labels_sha256,
            "recordings_sha256": list(dataset.recordings),
            "individuals_sha256": list(dataset.individuals),
        },
        assessment=assessment,
        wingtone_version=__version__,
    )


def assess(model: Model, dataset: Dataset) -> Assessment:
    """Judge a trained model on recordings it was not trained on.

    Raises
    ------
    InputError
        See `wingtone.learn.assessment.judge`; or labels of another target.
    """
    from wingtone.learn.assessment import judge

    if dataset.target != model.target:
        raise InputError(f"the model tells the {model.target}; these labels say only the {dataset.target}")
    found = judge(model.numbers, dataset, model.classes, published=_published(dataset, model.classes))
    shared = set(dataset.individuals) & set(model.training["individuals_sha256"])
    if not shared:
        return found
    what = (
        f"the model was trained on the names of {how_many(len(shared), 'individual')} too: where they mean "
        "the same animals, the figures are too good"
    )
    return dataclasses.replace(found, warnings=(*found.warnings, ("individuals shared", what)))


def _published(dataset: Dataset, classes: tuple[str, ...]) -> NDArray[np.float64] | None:
    if dataset.target != "caste":
        return None
    from wingtone.fauna import load
    from wingtone.learn.baselines import published_cue

    return published_cue(dataset.f0_hz, classes, fauna=load())

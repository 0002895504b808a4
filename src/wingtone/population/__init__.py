"""What a population sounds like: how large, how many queens, when workers take over, whether sites differ.

From a table of bouts (of ``wingtone measure``, of a survey, of a notebook) to distributions and answers, each
with its interval. Bees are counted before anything else, and bees of one recording or day are never taken for
independent.

- `individuals`    which bouts count, and which are one bee's
- `resampling`     intervals for bees that come in clusters
- `distribution`   histogram, kernel density, quantiles, spread
- `thorax`         from tones to intertegular distances
- `expected`       which castes the fauna expects, and where their tones lie
- `castes`         one group or two, and their shares; `mixture` fits them
- `changeover`     when queens give way to workers
- `comparison`     sites and periods; what a comparison could show
- `activity`       bees an hour of listening
- `sources`        files to rows
- `work`, `results`, `words`   all of it together, its values, its sentences

Examples
--------
>>> import random
>>> from wingtone.population import sizes
>>> chance = random.Random(1)
>>> tones = [chance.gauss(115, 8) for _ in range(30)] + [chance.gauss(180, 12) for _ in range(60)]
>>> rows = [
...     {"path": f"{i}.wav", "kind": "flight", "start_s": 0, "end_s": 1, "f0_hz": f0, "f0_low_hz": f0 - 1,
...      "f0_high_hz": f0 + 1}
...     for i, f0 in enumerate(tones)
... ]
>>> found = sizes(rows, taxa=["Bombus lapidarius"])
>>> len(found.individuals), found.castes.answer
(90, 'two groups')
>>> 0.25 < found.castes.groups[0].share < 0.4
True
"""

from wingtone.population.individuals import Quality
from wingtone.population.results import Sizes
from wingtone.population.work import GROUPINGS, sizes

__all__ = ["GROUPINGS", "Quality", "Sizes", "sizes"]

"""Which bee was that? Flight tone, date, place and what was seen, weighed in one model.

The model in one page
---------------------
Candidates ``e`` are taxon, caste and colour form, and "something else".

    P(e | all) ~ P(e | date, place) * P(tone | e) * product over hints of P(hint | e)

- `wingtone.evidence.prior`      abundance by region times season, an open world beside it
- `wingtone.evidence.tone_size`  ITD of the caste -> allometric line -> tone, every spread kept apart
- `wingtone.evidence.observe`    what people report: errors, look-alikes, fading, bald bees, size by eye
- `wingtone.evidence.bands`, `wingtone.evidence.doing`  answers that hang together, counted once
- `wingtone.evidence.case`       the evidence on one bee and its posterior
- `wingtone.evidence.weigh`      what each piece did (bits), and which does not fit the rest
- `wingtone.evidence.look_next`  what to look at next
- `wingtone.evidence.naming`     what to write down
- `wingtone.evidence.engine`     all of it together
- `wingtone.evidence.words`      plain sentences for any fauna

Examples
--------
>>> import datetime
>>> from wingtone.fauna import load
>>> from wingtone.evidence import ToneCue, identify
>>> answer = identify(fauna=load(), tone=ToneCue(120.0, 118.0, 122.0), date=datetime.date(2026, 3, 5))
>>> answer.castes[0].caste
'queen'
"""

from wingtone.evidence.answer import Answer
from wingtone.evidence.case import Likelihood
from wingtone.evidence.dates import parse_date
from wingtone.evidence.engine import identify
from wingtone.evidence.hints import parse_hints
from wingtone.evidence.tone_size import ToneCue, size_words

__all__ = ["Answer", "Likelihood", "ToneCue", "identify", "parse_date", "parse_hints", "size_words"]

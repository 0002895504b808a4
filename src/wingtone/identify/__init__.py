"""Which bee was that? Flight tone, date, place and what was seen, weighed in one model.

The model in one page
---------------------
Candidates ``e`` are taxon, caste and colour form, and "something else".

    P(e | all) ~ P(e | date, place) * P(tone | e) * product over hints of P(hint | e)

- `wingtone.identify.prior`      abundance by region times season, an open world beside it
- `wingtone.identify.tone_size`  ITD of the caste -> allometric line -> tone, every spread kept apart
- `wingtone.identify.observe`    what people report: errors, look-alikes, fading, bald bees, size by eye
- `wingtone.identify.case`       the evidence on one bee and its posterior
- `wingtone.identify.weigh`      what each piece did (bits), and which does not fit the rest
- `wingtone.identify.look_next`  what to look at next
- `wingtone.identify.naming`     what to write down
- `wingtone.identify.engine`     all of it together
- `wingtone.identify.words`      plain sentences for any fauna

Examples
--------
>>> import datetime
>>> from wingtone.fauna import load
>>> from wingtone.identify import ToneCue, identify
>>> answer = identify(fauna=load(), tone=ToneCue(120.0, 118.0, 122.0), date=datetime.date(2026, 3, 5))
>>> answer.castes[0].caste
'queen'
"""

from wingtone.identify.answer import Answer
from wingtone.identify.case import Likelihood
from wingtone.identify.dates import parse_date
from wingtone.identify.engine import identify
from wingtone.identify.hints import parse_hints
from wingtone.identify.tone_size import ToneCue, size_words

__all__ = ["Answer", "Likelihood", "ToneCue", "identify", "parse_date", "parse_hints", "size_words"]

"""What is known of the bees of a region: names, seasons, sizes, tones, colours, look-alikes, sources.

The British and Irish fauna ships with the package; any folder with the same tables can take its place.

Examples
--------
>>> from wingtone.fauna import load
>>> fauna = load()
>>> fauna.taxon("early bumblebee").taxon
'Bombus pratorum'
"""

from wingtone.fauna.load import SHIPPED, check, load
from wingtone.fauna.model import Aggregate, Character, Entry, Fauna, Form, Lookalike, Source, Taxon
from wingtone.fauna.season import SEASON_FLOOR, week_of

__all__ = [
    "SEASON_FLOOR",
    "SHIPPED",
    "Aggregate",
    "Character",
    "Entry",
    "Fauna",
    "Form",
    "Lookalike",
    "Source",
    "Taxon",
    "check",
    "load",
    "week_of",
]

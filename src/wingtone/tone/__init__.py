"""The tone room: from sound to flight bouts and their wingbeat frequency."""

from wingtone.tone.decision import FLIGHT_THRESHOLD
from wingtone.tone.measure import measure
from wingtone.tone.results import Bout, FlyBy, Kind, ToneResult, Track
from wingtone.tone.spectrum import RATE_HZ

__all__ = ["FLIGHT_THRESHOLD", "RATE_HZ", "Bout", "FlyBy", "Kind", "ToneResult", "Track", "measure"]

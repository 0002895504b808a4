"""Distances on the earth, for lists of records near a place.

The earth is taken as a sphere of 6371.0088 km (mean radius, IUGG), which is good to half a per cent.
"""

from __future__ import annotations

from math import asin, cos, degrees, radians, sin, sqrt
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from wingtone.notebook.places import Place

__all__ = ["bounding_box", "distance_m"]

EARTH_RADIUS_M = 6_371_008.8
"""Mean radius, IUGG (memory)."""


def distance_m(place: Place, latitude_deg: float, longitude_deg: float) -> float:
    """Great-circle distance from a place to a point, metres (haversine formula)."""
    a, b = radians(place.latitude_deg), radians(latitude_deg)
    across = radians(longitude_deg - place.longitude_deg)
    half = sin((b - a) / 2) ** 2 + cos(a) * cos(b) * sin(across / 2) ** 2
    return 2 * EARTH_RADIUS_M * asin(min(1.0, sqrt(half)))


def bounding_box(place: Place, radius_m: float) -> tuple[float, float, float, float]:
    """South, north, west and east in degrees of a box that holds the circle; the whole span near a pole."""
    angle = min(radius_m / EARTH_RADIUS_M, 3.2)
    south, north = place.latitude_deg - degrees(angle), place.latitude_deg + degrees(angle)
    if north >= 89.9 or south <= -89.9:
        return south, north, -180.0, 180.0
    across = degrees(asin(min(1.0, sin(angle) / cos(radians(place.latitude_deg)))))
    west, east = place.longitude_deg - across, place.longitude_deg + across
    if west < -180 or east > 180:
        return south, north, -180.0, 180.0
    return south, north, west, east

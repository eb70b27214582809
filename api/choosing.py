"""The drawing of a machine from which the part of the checkout is chosen."""

from __future__ import annotations

from urllib.parse import quote, urlencode

from api.intake import group_steps
from api.tongue import name_version
from diagnose.areas import Area, draw_areas
from diagnose.catalogue import Catalogue
from diagnose.language import _, count
from diagnose.outline import ZONE_TITLES, Profile


def draw_steps(catalogue: Catalogue, version: str, profile: Profile, asset: str = "") -> str:
    """Return the drawing with a link to the steps of each zone, as SVG for the inside of a page."""
    areas = {}
    for zone, steps in group_steps(profile.steps).items():
        fields = {"zone": zone} | ({"asset": asset} if asset else {})
        address = f"/machines/{quote(profile.id)}?{urlencode(fields)}#steps"
        areas[zone] = Area(_(ZONE_TITLES[zone]), say_steps(len(steps)), address)
    return draw_areas(catalogue, name_version(version), areas)


def say_steps(number: int) -> str:
    """Return how many steps there are.

    >>> say_steps(1), say_steps(7)
    ('1 step', '7 steps')
    """
    return count("{number} step", "{number} steps", number)

"""A made-up job for tests of the site book: control, observations, ties, and a book of them."""

from __future__ import annotations

import math
from pathlib import Path
from typing import List, Sequence, Tuple

import numpy as np

from sitetie.core import Observation, Pair, Settings, Tie, solve
from sitetie.core.book import SiteBook
from sitetie.tests.core.sites import Site, change, random_site

CRS = "EPSG:7931"


def job(seed: int = 21, unit: str = "m") -> Tuple[Site, Tie, Tie]:
    """A site, a tie from its first pairs, and a later one from all of them."""
    site = random_site(seed, marks=8, place=(48.8, 14.9), extent=900.0, site_unit=unit,
                       observation_crs=CRS, tilt=1e-5)
    first = solve(site.pairs[:4], site.settings)
    return site, first, solve(site.pairs, site.settings)


def observations(site: Site, count: int, seed: int = 0, day: int = 1) -> List[Observation]:
    """Topo points of a day."""
    draw = np.random.default_rng((seed, day))
    metres = draw.uniform(-400.0, 400.0, (2, count))
    latitude = site.latitude + metres[1] / 111_200.0
    longitude = site.longitude + metres[0] / (111_320.0 * math.cos(math.radians(site.latitude)))
    height = draw.uniform(500.0, 530.0, count)
    return [Observation(f"{day}{i:05d}", float(latitude[i]), float(longitude[i]), float(height[i]),
                        sigma_e=0.008, sigma_n=0.009, sigma_u=0.015, session=f"day {day}",
                        time=f"2026-05-{day:02d}T08:00:00Z", fix="fixed", source="made up")
            for i in range(count)]


def new_book(path: Path, site: Site, count: int = 40, user: str = "ann") -> SiteBook:
    """A book with control and a day's observations."""
    settings: Settings = site.settings
    book = SiteBook.create(path, job="Pit", site_unit=settings.site_unit,
                           elevation_unit=settings.elevation_unit, observation_crs=CRS, user=user)
    book.add_control([pair.control for pair in site.pairs], source_document="plan 7",
                     document_version="A")
    book.add_observations([*(pair.observation for pair in site.pairs),
                           *observations(site, count)], reason="day 1")
    return book


def moved(pairs: Sequence[Pair], place: int, east: float) -> List[Pair]:
    """The pairs with one control point elsewhere."""
    pairs = list(pairs)
    control = pairs[place].control
    pairs[place] = change(pairs[place], control={"easting": control.easting + east})
    return pairs

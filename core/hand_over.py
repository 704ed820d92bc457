"""What leaves with a tie for other programs: the CRS, the pipelines, and how to use them.

`write_hand_over` writes a folder; its files and their use stand in hand_over.md, from which the
page in docs/, the page in that folder and the report are made.
"""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, Tuple, Union

import jinja2
import numpy as np
import pyproj

from .errors import OutputError
from .frames import parse_crs
from .whole_file import write_whole_file

if TYPE_CHECKING:
    from .tie import Tie

#: User-defined SRIDs of PostGIS begin after 910000 and end at 998999.
FIRST_SRID, SRIDS = 910_001, 88_998
#: PostGIS's column for WKT takes no more.
SRTEXT_LENGTH = 2048
_PAGE = Path(__file__).with_name("hand_over.md")
_PARTS = re.compile(
    r"^## ([^\n]+)$|^(\S[^\n]*)\n\n```\w+\n(.*?)\n```$", re.MULTILINE | re.DOTALL)


class Recipe(NamedTuple):
    """One use of the files: program, a sentence, and the command, run in their folder."""

    program: str
    words: str
    command: str


def page(crs: str, srid: int, latitude_first: bool = True) -> str:
    """The hand-over page, Markdown.

    Parameters
    ----------
    crs : str
        The observation CRS: its code, or the name of a file with WKT.
    srid : int
        Number of the CRS in PostGIS.
    latitude_first : bool
        Axis order of the observation CRS.
    """
    template = jinja2.Template(
        _PAGE.read_text(encoding="utf-8"), undefined=jinja2.StrictUndefined,
        keep_trailing_newline=True)
    return template.render(crs=crs, srid=srid, latitude_first=latitude_first)


def recipes(text: str) -> Tuple[Recipe, ...]:
    """The commands on the page, each with its program and the sentence before it."""
    found, program = [], ""
    for heading, words, command in _PARTS.findall(text):
        program = heading or program
        if command:
            found.append(Recipe(program, words.rstrip(":"), command))
    return tuple(found)


def page_of(tie: "Tie") -> str:
    """The page for a tie."""
    return page(*_values(tie))


def srid_of(tie: "Tie") -> int:
    """A number for PostGIS that belongs to the tie."""
    return FIRST_SRID + int(tie.id[:12], 16) % SRIDS


def write_hand_over(tie: "Tie", folder: Union[str, os.PathLike], name: str = "") -> None:
    """Write all files into a folder, which is made if it is missing.

    Parameters
    ----------
    name : str
        Of the CRS; by default that of `Tie.crs_wkt`.

    Raises
    ------
    OutputError
    FrameError
        When PROJ cannot derive a CRS from the base projection.
    """
    files = {
        "site.wkt": tie.crs_wkt(name), "to_site.pipeline": tie.pipeline(),
        "from_site.pipeline": tie.pipeline(backward=True), "site.sql": postgis_sql(tie, name),
        "hand_over.md": page_of(tie),
    }
    if _values(tie)[0].endswith(".wkt"):
        files["observation.wkt"] = tie.settings.observation_crs
    try:
        os.makedirs(folder, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"The folder cannot be made ({error.strerror or error}).",
            "Choose a place that you may write to.", file=os.fspath(folder),
        ) from None
    for file, text in files.items():
        write_whole_file(os.path.join(folder, file), f"{text}\n".encode())


def postgis_sql(tie: "Tie", name: str = "") -> str:
    """SQL that makes the site known to PostGIS."""
    srid = srid_of(tie)
    text = tie.crs_wkt(name)
    if len(text) > SRTEXT_LENGTH:
        text = pyproj.CRS(text).to_wkt("WKT2_2019_SIMPLIFIED")
    if len(text) > SRTEXT_LENGTH:
        raise OutputError(
            f"The CRS needs {len(text)} characters; PostGIS takes {SRTEXT_LENGTH}.",
            "Give it a shorter name, or solve over a base projection with a code.",
        )
    quoted = text.replace("'", "''")
    lines = [
        f"-- Site grid, tie {tie.id}", "BEGIN;",
        f"DELETE FROM spatial_ref_sys WHERE srid = {srid};",
        "INSERT INTO spatial_ref_sys (srid, auth_name, auth_srid, srtext, proj4text)",
        f"VALUES ({srid}, NULL, NULL, '{quoted}', NULL);",
    ]
    if tie.vertical is not None and tie.geoid is None:
        zero, slopes, size = elevation_from_site(tie)
        lines += [
            "-- From the observation CRS to easting, northing and elevation.",
            f"CREATE OR REPLACE FUNCTION to_site_{srid}(given geometry) RETURNS geometry AS $$",
            f"SELECT ST_Affine(ST_Transform(given, {srid}), 1, 0, 0, 0, 1, 0,",
            f"    {slopes[0]!r}, {slopes[1]!r}, {size!r}, 0, 0, {zero!r})",
            "$$ LANGUAGE sql STABLE STRICT PARALLEL SAFE;",
        ]
    else:
        lines.append("-- Elevations need a geoid grid: ST_TransformPipeline, from PostGIS 3.4 on."
                     if tie.geoid is not None else "-- The tie has no vertical part.")
    return "\n".join([*lines, "COMMIT;"])


def elevation_from_site(tie: "Tie") -> Tuple[float, Tuple[float, float], float]:
    """How an elevation follows from site coordinates and the height above ellipsoid or geoid.

    Returns
    -------
    zero, (per easting, per northing), per height
        ``elevation = zero + east * easting + north * northing + per_height * height``, in site
        and elevation units and metres.
    """
    assert tie.vertical is not None
    unit, height = tie.settings.site_length.metres, tie.settings.elevation_length.metres
    rows = np.linalg.inv(np.array(tie.horizontal.matrix)) * unit  # base metres per site unit
    slopes = np.array(tie.vertical.slopes)
    there = slopes @ rows / height
    at = np.array(tie.horizontal.translation) / unit  # the site coordinates of the centroid
    start = tie.vertical.values[0] + slopes @ (
        np.array(tie.horizontal.centroid) - np.array(tie.vertical.centroid))
    zero = float(start / height - there @ at)
    return zero, (float(there[0]), float(there[1])), 1.0 / height


def _values(tie: "Tie") -> Tuple[str, int, bool]:
    crs = parse_crs(tie.settings.observation_crs, "observation CRS")
    code = crs.to_authority(min_confidence=100)
    named = ":".join(code) if code and len(tie.settings.observation_crs) < 40 else "observation.wkt"
    return named, srid_of(tie), crs.axis_info[0].direction == "north"

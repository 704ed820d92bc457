"""The site book as a person uses it: acts that are recorded, and questions."""

from __future__ import annotations

import getpass
import math
from contextlib import contextmanager
from typing import Any, Callable, Dict, Iterator, List, Optional, Sequence

import numpy as np

from ..errors import BookError, InputError
from ..frames import geographic_crs
from ..pairs import Control, Observation
from ..settings import Settings
from ..tie import Tie
from ..tie_file import dumps, loads
from ..units import LengthUnit, length_unit
from ..wording import counted, length_words, listed
from .acceptance import largest_moves, pair_row, role_changes
from .act import Act
from .entering import control_rows, observation_rows, ties_using
from .geopackage import SITE_SRS, srs_row
from .issued import IssuedOff, IssuedPoint, issued_off
from .ledger import Entry, Head, entries, head_of, plain_text
from .new_book import fill_new_book, now
from .restating import EARTH_RADIUS, restated_points
from .schema import BATCH, FORMAT, FORMAT_VERSION
from .storage import Storage

#: Points written at a time.
PIECE = 50_000


class SiteBook:
    """An open site book; see `create` and `open`.

    Attributes
    ----------
    path, user : str
    job, observation_crs : str
    unit, elevation_unit : LengthUnit
    """

    def __init__(self, storage: Storage, user: str) -> None:
        self._storage = storage
        self.path = storage.path
        self.user = plain_text("user", user) or getpass.getuser()
        about = _about(storage)
        self.job: str = about["job"]
        self.observation_crs: str = about["observation_crs"]
        self.unit: LengthUnit = length_unit(about["site_unit"])
        self.elevation_unit: LengthUnit = length_unit(about["elevation_unit"])
        self._srs: int = storage.rows(
            "SELECT srs_id FROM gpkg_geometry_columns WHERE table_name = 'observation'")[0][0]

    # -- beginning and end -------------------------------------------------------------------

    @classmethod
    def create(
        cls, path, *, job: str, site_unit: str, elevation_unit: Optional[str] = None,
        observation_crs: str = "EPSG:4326", user: str = "", reason: str = "",
    ) -> "SiteBook":
        """Make a new book.

        Raises
        ------
        OutputError
            When there is a file already, or nothing can be written there.
        SettingsError, FrameError
            With an unknown unit or CRS.
        """
        settings = Settings(site_unit=site_unit, elevation_unit=elevation_unit,
                            observation_crs=observation_crs)
        geographic_crs(observation_crs)
        user = plain_text("user", user) or getpass.getuser()

        def fill(storage: Storage) -> None:
            fill_new_book(storage, settings, plain_text("job", job), user, reason)

        Storage.create(path, fill)
        return cls.open(path, user=user)

    @classmethod
    def open(cls, path, *, user: str = "", read_only: bool = False) -> "SiteBook":
        """Open a book.

        Raises
        ------
        BookError
            When it is missing, foreign, damaged, or newer than this version can read.
        """
        storage = Storage(path, read_only=read_only)
        try:
            return cls(storage, user)
        except BaseException:
            storage.close()
            raise

    def close(self) -> None:
        self._storage.close()

    def __enter__(self) -> "SiteBook":
        return self

    def __exit__(self, *details: object) -> None:
        self.close()

    # -- acts --------------------------------------------------------------------------------

    def add_control(
        self, control: Sequence[Control], *, source_document: str = "",
        document_version: str = "", reason: str = "",
    ) -> Entry:
        """Add control points; a new value takes the place of the old one, which stays.

        What is there already, unchanged, is not added again.

        Raises
        ------
        InputError
            With a point given twice, or nothing new.
        """
        if not control:
            raise InputError("There are no control points to add.", "Choose some.")
        with self._act() as act:
            rows, replaced = control_rows(
                self._storage, control, source_document, document_version)
            act.add("control", rows)
            used = ties_using(self._storage, replaced)
            summary = f"{counted(len(rows), 'control point')} added"
            if replaced:
                summary += f", {listed(replaced)} reissued"
            if used:
                summary += f"; used by {listed([f'tie {number}' for number in used])}"
            return act.finish("control", f"{summary}.", reason, standing=self.standing,
                              reissued=replaced, ties_that_used_them=used,
                              source_document=source_document, document_version=document_version)

    def add_observations(
        self, observations: Sequence[Observation], *, on_changed: str = "refuse", reason: str = "",
    ) -> Entry:
        """Add observations as they came. What is there already, unchanged, is not added again.

        Parameters
        ----------
        on_changed : str
            For another value under a known name: ``refuse``, or ``occupation`` to keep both, as
            occupations of one mark.

        Raises
        ------
        InputError
            Naming the first changed one, or when there is nothing new.
        """
        if not observations:
            raise InputError("There are no observations to add.", "Choose some.")
        with self._act() as act:
            rows, again = observation_rows(self._storage, observations)
            if again and on_changed != "occupation":
                raise InputError(
                    f"{counted(len(again), 'observation')} with other values "
                    f"{'is' if len(again) == 1 else 'are'} in the book under the same name "
                    f"({listed(again)}).",
                    "Add them as further occupations of their marks, or give them other names; "
                    "what is in the book is never changed.", file=self.path, point=again[0])
            if not rows:
                raise InputError("All of these observations are in the book already, unchanged.",
                                 "There is nothing to add.")
            same = len(observations) - len(rows)
            act.add("observation", rows)
            said = f"{counted(len(rows), 'observation')} added"
            said += f", {same} known already" if same else ""
            said += f", {len(again)} of them further occupations" if again else ""
            return act.finish("observations", f"{said}.", reason, standing=self.standing)

    def correct_session(
        self, session: str, dx: float, dy: float, dz: float, *, source: str = "", reason: str = "",
    ) -> Entry:
        """Record that the base of a session was wrong by a geocentric shift, metres.

        Its observations stay as they came; restating adds the shift to their geocentric
        positions. Corrections of one session add up.
        """
        shift = [float(value) for value in (dx, dy, dz)]
        if not np.isfinite(shift).all() or not any(shift):
            raise InputError(f"The correction {shift} is none.", "Give three lengths in metres.")
        with self._act() as act:
            count = self._storage.rows("SELECT count(*) FROM observation WHERE session = ?",
                                       (session,))[0][0]
            if not count:
                raise InputError(f"No observation is of the session {session!r}.",
                                 "Write it as the observations do.")
            act.add("session_correction", [{
                "session": session, "dx": dx, "dy": dy, "dz": dz, "source": source}])
            size = math.sqrt(sum(value**2 for value in shift))
            return act.finish(
                "session_corrected",
                f"Base of session {session} corrected by {size:.3f} m ({count} observations). A "
                f"base wrong by that much bends baselines by up to {size / EARTH_RADIUS * 1e6:.3f} "
                "mm per km, which no shift takes out.", reason, standing=self.standing)

    def accept(
        self, tie: Tie, reason: str = "", *,
        progress: Optional[Callable[[float], bool]] = None,
    ) -> Entry:
        """Accept a tie, and restate every observation by it, in one act.

        Raises
        ------
        InputError
            When its units or its observation CRS are not the book's.
        BookError
            When the book was changed meanwhile, or somebody is writing.
        """
        self._refuse_other_frame(tie)
        # Computed before others are locked out; `seen` makes sure that nothing came in between.
        seen, standing = self.head(), self.standing
        number = self._storage.rows("SELECT coalesce(max(tie_number), 0) FROM tie")[0][0] + 1
        packed = restated_points(self._storage, tie, number, standing, progress)
        earlier = self._storage.rows(
            "SELECT control_id, observation_id, horizontal, vertical FROM pair WHERE "
            "tie_number IS ?", (standing,))
        with self._act(seen) as act:
            changes = role_changes(earlier, tie) if standing is not None else []
            act.add("tie", [{
                "tie_number": number, "tie_id": tie.id, "accepted": now(),
                "accepted_by": self.user, "reason": reason, "srs_id": SITE_SRS + number,
                "tie_file": dumps(tie)}])
            act.add("pair", [pair_row(number, pair, row)
                             for pair, row in zip(tie.pairs, tie.rows)])
            self._place_site(act, tie, number, new=True)
            said = self._write_restated(act, number, packed)
            corrected = [pair.name for pair in tie.pairs if getattr(pair, "corrections", ())]
            return act.finish(
                "accepted", f"Tie {number} ({tie.short_id}) accepted{said}.", reason,
                tie_number=number, standing=number, tie_id=tie.id, role_changes=changes,
                corrected_pairs=corrected, **largest_moves(packed))

    def restate(
        self, reason: str = "", *, progress: Optional[Callable[[float], bool]] = None,
    ) -> Entry:
        """State what the standing tie has not stated yet: new observations, corrected sessions.

        Raises
        ------
        InputError
            When no tie stands, or there is nothing to state.
        """
        return self._stand_on(None, reason, progress)

    def stand_back(
        self, tie_number: int, reason: str = "", *,
        progress: Optional[Callable[[float], bool]] = None,
    ) -> Entry:
        """Let an earlier tie stand again; nothing of the later one is lost."""
        return self._stand_on(tie_number, reason, progress)

    def issue(
        self, points: Sequence[IssuedPoint], kind: str, handed_to: str = "", reason: str = "",
    ) -> Entry:
        """Record coordinates handed out under the standing tie.

        Where a point says nothing of its place on the ground, the tie does.
        """
        with self._act() as act:
            number = self.standing
            if number is None:
                raise InputError("No tie stands yet, so nothing can be issued.", "Accept a tie.")
            tie, rows = self.tie(number), []
            for item in points:
                row: Dict[str, Any] = {**vars(item), "kind": kind, "handed_to": handed_to,
                                       "tie_number": number}
                if item.latitude is None or item.longitude is None:
                    there = tie.to_geodetic(item.easting, item.northing, item.elevation)
                    row["latitude"], row["longitude"] = there[0], there[1]
                    row["height"] = None if math.isnan(there[2]) else there[2]
                rows.append(row)
            if not rows:
                raise InputError("There are no points to issue.", "Choose some.")
            act.add("issued", rows)
            to = f" to {handed_to}" if handed_to else ""
            return act.finish("issued", f"{counted(len(rows), 'point')} issued as {kind}{to}.",
                              reason, tie_number=number, standing=number)

    # -- questions ---------------------------------------------------------------------------

    def head(self) -> Head:
        """Number of entries and hash of the last one: what a report prints."""
        return head_of(self._storage)

    def entries(self, first: int = 1, last: Optional[int] = None) -> List[Entry]:
        """Entries of the ledger by their numbers."""
        return entries(self._storage, first, last)

    @property
    def standing(self) -> Optional[int]:
        """Number of the tie that stands; None before the first."""
        rows = self._storage.rows("SELECT standing FROM ledger ORDER BY seq DESC LIMIT 1")
        return rows[0][0] if rows else None

    def tie(self, number: Optional[int] = None) -> Tie:
        """An accepted tie; by default the one that stands.

        Raises
        ------
        BookError
        """
        number = self.standing if number is None else number
        rows = self._storage.rows("SELECT tie_file FROM tie WHERE tie_number = ?", (number,))
        if not rows:
            raise BookError(f"There is no tie {number}." if number else "No tie stands yet.",
                            "Accept one.", file=self.path)
        return loads(rows[0][0].encode("utf-8"))

    def life(self, observation_id: str) -> List[Dict[str, Any]]:
        """A point under every tie, oldest first; see the view `point_life`."""
        columns = [row[1] for row in self._storage.rows("PRAGMA table_info(point_life)")]
        rows = self._storage.rows(
            "SELECT * FROM point_life WHERE observation_id = ? ORDER BY entry, occupation",
            (observation_id,))
        return [dict(zip(columns, row)) for row in rows]

    def issued_off(
        self, tolerance_h: float, tolerance_v: Optional[float] = None
    ) -> List[IssuedOff]:
        """Issued points that the standing tie sees elsewhere by more than a tolerance.

        Parameters
        ----------
        tolerance_h, tolerance_v : float
            Site units and elevation units.
        """
        return issued_off(self._storage, self.standing, self.tie, tolerance_h, tolerance_v)

    # -- inside ------------------------------------------------------------------------------

    @contextmanager
    def _act(self, seen: Optional[Head] = None) -> Iterator[Act]:
        with self._storage.writing():
            if seen is not None and self.head() != seen:
                last = self.entries(self.head().count)[-1]
                raise BookError(
                    f"{last.user} changed the book meanwhile ({last.summary})",
                    "Nothing of yours was written; look at the change and try again.",
                    file=self.path)
            yield Act(self._storage, self.user, self._srs)

    def _stand_on(self, tie_number: Optional[int], reason: str, progress) -> Entry:
        seen, standing = self.head(), self.standing
        number = standing if tie_number is None else tie_number
        tie = self.tie(number)
        assert number is not None  # self.tie has refused None
        if tie_number is not None and tie_number == standing:
            raise InputError(f"Tie {number} stands already.", "Choose another one.")
        packed = restated_points(self._storage, tie, number, standing, progress)
        if tie_number is None and not len(packed):
            raise InputError(f"Tie {number} has stated every observation already.",
                             "Add observations, or accept another tie.")
        with self._act(seen) as act:
            said = self._write_restated(act, number, packed)
            if tie_number is None:
                summary, action = f"Tie {number}{said}.".replace(", ", ": ", 1), "restated"
            else:
                summary, action = f"Tie {number} stands again{said}.", "stood_back"
                self._place_site(act, tie, number, new=False)
            return act.finish(action, summary, reason, tie_number=number, standing=number,
                              **largest_moves(packed))

    def _write_restated(self, act: Act, number: int, packed: np.ndarray) -> str:
        if not len(packed):
            return ""
        batch = self._storage.rows("SELECT coalesce(max(batch), 0) FROM restatement")[0][0] + 1
        packed["batch"] = batch
        packed["fid"] = batch * BATCH + packed["observation"]
        act.add("restatement", [{"batch": batch, "tie_number": number, "points": len(packed)}])
        act.add_restated(batch, [packed[i: i + PIECE] for i in range(0, len(packed), PIECE)])
        said = f", {counted(len(packed), 'point')} restated"
        moved = packed["moved_h"][np.isfinite(packed["moved_h"])]
        if len(moved):
            said += f", moved by up to {length_words(float(moved.max()), self.unit)}"
        return said

    def _place_site(self, act: Act, tie: Tie, number: int, *, new: bool) -> None:
        """Say where the site grid is: as this tie has it."""
        name = f"{self.job or 'Site grid'}, tie {number} ({tie.short_id})"
        wkt = tie.crs_wkt(name)
        if new:
            act.set_crs(srs_row(wkt, SITE_SRS + number, name))
        act.set_crs(srs_row(wkt, SITE_SRS, name))

    def _refuse_other_frame(self, tie: Tie) -> None:
        settings = tie.settings
        ours = (self.unit.code, self.elevation_unit.code)
        theirs = (settings.site_unit, settings.elevation_unit)
        if ours != theirs:
            raise InputError(f"The tie is in {theirs[0]} with elevations in {theirs[1]}, the book "
                             f"in {ours[0]} and {ours[1]}.", "Solve it in the book's units.")
        if geographic_crs(settings.observation_crs) != geographic_crs(self.observation_crs):
            raise InputError(
                f"The tie takes observations in {settings.observation_crs}, the book holds them "
                f"in {self.observation_crs}.", "Solve it with the book's observation CRS.")



def _about(storage: Storage) -> Dict[str, Any]:
    names = ("format", "format_version", "job", "site_unit", "elevation_unit", "observation_crs")
    rows = storage.rows(f"SELECT {', '.join(names)} FROM book ORDER BY fid LIMIT 1")
    if not rows or rows[0][0] != FORMAT:
        raise BookError("This is no site book.", "Choose a file made by Sitetie.",
                        file=storage.path)
    if rows[0][1] > FORMAT_VERSION:
        raise BookError(
            f"The book has version {rows[0][1]}; this program reads up to {FORMAT_VERSION}.",
            "Update Sitetie.", file=storage.path)
    return dict(zip(names, rows[0]))

"""The errors a person may meet: what is wrong, where, and what to do about it."""

from __future__ import annotations

from typing import Optional


class SitetieError(Exception):
    """Base of every error raised on purpose.

    Parameters
    ----------
    what : str
        One sentence that says what is wrong, with the offending value in it.
    remedy : str, optional
        One sentence that says what to do.
    file, row, point : optional
        Where: file or layer name, row as a person counts it (the header is row 1), and the
        id of the control point or observation.
    """

    def __init__(
        self,
        what: str,
        remedy: str = "",
        *,
        file: Optional[str] = None,
        row: Optional[int] = None,
        point: Optional[str] = None,
    ) -> None:
        self.what = what
        self.remedy = remedy
        self.file = file
        self.row = row
        self.point = point
        super().__init__(self._sentence())

    def _sentence(self) -> str:
        place = []
        if self.file:
            place.append(str(self.file))
        if self.row is not None:
            place.append(f"row {self.row}")
        if self.point:
            place.append(f"point {self.point}")
        where = ", ".join(place)
        parts = [f"{where}: {self.what}" if where else self.what]
        if self.remedy:
            parts.append(self.remedy)
        return " ".join(parts)

    def at(
        self,
        *,
        file: Optional[str] = None,
        row: Optional[int] = None,
        point: Optional[str] = None,
    ) -> "SitetieError":
        """The same error with its place filled in where it was still unknown."""
        return type(self)(
            self.what,
            self.remedy,
            file=self.file if self.file is not None else file,
            row=self.row if self.row is not None else row,
            point=self.point if self.point is not None else point,
        )

    def __reduce__(self):
        return (_rebuild, (type(self), self.what, self.remedy, self.file, self.row, self.point))


def _rebuild(kind, what, remedy, file, row, point):
    return kind(what, remedy, file=file, row=row, point=point)


class InputError(SitetieError):
    """A table, a cell or a typed value cannot be used as it stands."""


class SettingsError(SitetieError):
    """A setting has a value that is not allowed."""


class FrameError(SitetieError):
    """A CRS, frame, epoch, datum operation or geoid grid is missing, unknown or mixed."""


class GeometryError(SitetieError):
    """The pairs cannot determine what the model asks for."""


class TieFileError(SitetieError):
    """A tie file is damaged, foreign, or newer than this version can read."""


class OutputError(SitetieError):
    """A result cannot be written where it was asked for."""


class Cancelled(SitetieError):  # noqa: N818 (not a fault: the person asked for it)
    """The person stopped the work."""

    def __init__(self, what: str = "Stopped before the end; nothing was written.",
                 remedy: str = "", **place: object) -> None:
        super().__init__(what, remedy, **place)  # type: ignore[arg-type]


class BookError(SitetieError):
    """A site book is damaged, foreign, busy, or newer than this version can read."""

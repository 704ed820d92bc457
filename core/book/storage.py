"""Where a book is kept: a SQLite file, written in transactions, all or nothing.

The rest of the package knows only this interface; another store (a database server, say) has to
offer the same five methods.

A rollback journal (``journal_mode=DELETE``) with ``synchronous=EXTRA``: the book stays one file
between acts, and file locks suffice for two writers, while a write-ahead log needs memory that
machines on a network share do not have in common. EXTRA also syncs the folder after the journal is
gone, so that an act reported as done survives a power cut.
"""

from __future__ import annotations

import os
import sqlite3
import uuid
from contextlib import contextmanager
from typing import Any, Callable, Iterable, Iterator, List, Sequence, Tuple
from urllib.parse import quote

from ..errors import BookError, OutputError, SitetieError

#: Seconds to wait for another writer.
PATIENCE = 5.0
_PRAGMAS = ("PRAGMA synchronous=EXTRA", "PRAGMA foreign_keys=OFF", "PRAGMA recursive_triggers=ON",
            "PRAGMA cell_size_check=ON")


class Storage:
    """An open book file. Used by one thread at a time.

    Parameters
    ----------
    read_only : bool
        Nothing can be written through it.
    """

    def __init__(self, path, *, read_only: bool = False, patience: float = PATIENCE) -> None:
        self.path = os.fspath(path)
        self._patience = patience
        if not os.path.isfile(self.path):
            raise BookError("There is no such file.", "Check the path.", file=self.path)
        mode = "ro" if read_only else "rw"
        with self._plain_errors():
            self._connection = sqlite3.connect(
                f"{_uri(self.path)}?mode={mode}", uri=True, timeout=patience,
                isolation_level=None, check_same_thread=False)
            try:
                for pragma in _PRAGMAS:
                    self._connection.execute(pragma)
                mode = self._connection.execute("PRAGMA journal_mode").fetchone()[0]
                if mode != "delete" and not read_only:
                    self._leave_log()
                self._connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
            except sqlite3.Error:
                self._connection.close()
                raise

    def _leave_log(self) -> None:
        """Go back to the rollback journal, unless another program has the file open with its own
        write-ahead log (QGIS does while a layer is shown): acts are all or nothing there, too."""
        self._connection.execute("PRAGMA busy_timeout=0")
        try:
            self._connection.execute("PRAGMA journal_mode=DELETE")
        except sqlite3.OperationalError as error:
            if "locked" not in str(error):
                raise
        self._connection.execute(f"PRAGMA busy_timeout={round(1000 * self._patience)}")

    @classmethod
    def create(cls, path, fill: Callable[["Storage"], None]) -> None:
        """Make a new file: under another name first, then in one step into place.

        Parameters
        ----------
        fill : callable
            Writes into the new file, in one transaction.

        Raises
        ------
        OutputError
            When there is a file already, or nothing can be written there.
        """
        path = os.fspath(path)
        folder, name = os.path.split(os.path.abspath(path))
        temporary = os.path.join(folder, f".{name}.{uuid.uuid4().hex}.part")
        try:
            if os.path.exists(path):
                raise _taken(path)
            try:
                with open(temporary, "xb"):
                    pass
                made = cls(temporary)
                try:
                    with made.writing():
                        fill(made)
                finally:
                    made.close()
                _into_place(temporary, path)
            except OSError as error:
                raise _cannot_write(error.strerror or str(error), path) from None
            except SitetieError as error:
                raise type(error)(error.what, error.remedy, file=path) from None
        finally:
            for left in (temporary, temporary + "-journal"):
                if os.path.exists(left):
                    os.unlink(left)

    def close(self) -> None:
        self._connection.close()

    def rows(self, sql: str, parameters: Sequence[Any] = ()) -> List[Tuple]:
        """All rows of a query."""
        with self._plain_errors():
            return self._connection.execute(sql, parameters).fetchall()

    def stream(self, sql: str, parameters: Sequence[Any] = (), size: int = 50_000
               ) -> Iterator[List[Tuple]]:
        """Rows of a query in pieces."""
        with self._plain_errors():
            cursor = self._connection.execute(sql, parameters)
        while True:
            with self._plain_errors():
                piece = cursor.fetchmany(size)
            if not piece:
                return
            yield piece

    def execute(self, sql: str, parameters: Sequence[Any] = ()) -> None:
        """A statement, within `writing`."""
        with self._plain_errors():
            self._connection.execute(sql, parameters)

    def insert(self, sql: str, rows: Iterable[Sequence[Any]]) -> None:
        """A statement for many rows, within `writing`."""
        with self._plain_errors():
            self._connection.executemany(sql, rows)

    @contextmanager
    def writing(self) -> Iterator[None]:
        """One act: everything in it is kept, or nothing.

        Raises
        ------
        BookError
            When somebody else is writing.
        OutputError
            When the disk is full, the file read-only, or the share gone.
        """
        with self._plain_errors():
            self._connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            with self._plain_errors():
                self._connection.execute("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                try:
                    self._connection.execute("ROLLBACK")
                except sqlite3.Error:
                    pass  # what made it fail is told; the journal brings the rest back
            raise

    @contextmanager
    def reading(self) -> Iterator[None]:
        """Several queries that see one state."""
        with self._plain_errors():
            self._connection.execute("BEGIN")
        try:
            yield
        finally:
            if self._connection.in_transaction:
                with self._plain_errors():
                    self._connection.execute("COMMIT")

    @contextmanager
    def _plain_errors(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise _readable(error, self.path) from None


def _uri(path: str) -> str:
    """The file as SQLite takes it: without an authority, on a share too (``file:////server/...``)."""
    whole = os.path.abspath(path).replace(os.sep, "/")
    return "file://" + quote(whole if whole.startswith("/") else f"/{whole}")


def _into_place(temporary: str, path: str) -> None:
    """Move a file where none may be yet."""
    descriptor = os.open(temporary, os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    try:
        os.link(temporary, path)  # fails where there is a file, which a rename would replace
    except FileExistsError:
        raise _taken(path) from None
    except OSError:  # no hard links there
        if os.path.exists(path):
            raise _taken(path) from None
        os.rename(temporary, path)
    if hasattr(os, "O_DIRECTORY"):
        folder = os.open(os.path.dirname(os.path.abspath(path)), os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _taken(path: str) -> OutputError:
    return OutputError("There is a file of this name already.",
                       "Open it, or give the new book another name.", file=path)


def _cannot_write(why: str, path: str) -> OutputError:
    return OutputError(
        f"The book cannot be written ({why}); it stands as it was before.",
        "Check that the disk has room, that the file and its folder may be written to, and that "
        "the share is there.", file=path)


def _readable(error: sqlite3.Error, path: str) -> SitetieError:
    text = str(error).lower()
    if "locked" in text or "busy" in text:
        return BookError(
            "Somebody else is writing to the book at this moment.",
            "Nothing of yours was written; try again when they are done.", file=path)
    if any(word in text for word in ("full", "readonly", "read-only", "disk i/o", "unable to open",
                                     "too big")):
        return _cannot_write(str(error), path)
    if "never" in text and "site book" in text:
        return BookError(f"{str(error)[0].upper()}{str(error)[1:]}.",
                         "Add a new row that takes its place.", file=path)
    if "malformed" in text or "not a database" in text or "no such table" in text:
        return BookError(
            f"This is no site book, or it is damaged ({error}).",
            "Take an undamaged copy.", file=path)
    return BookError(f"The book cannot be used ({error}).", "Take an undamaged copy.", file=path)

"""Keeps a job with the QGIS project: written with it, read with it, cleared with it."""

from __future__ import annotations

import json
from typing import Optional

from qgis.core import QgsProject
from qgis.PyQt.QtCore import QObject, pyqtSignal

from ...core.errors import SitetieError, TieFileError
from ...core.tie_file import from_plain, to_plain
from .job import Job
from .state import JobState

SCOPE, ENTRY = "sitetie", "job"
FORMAT = "sitetie-job"
#: 2: knows whether the units were chosen.
SCHEMA_VERSION = 2


def job_text(state: JobState) -> str:
    """A job as JSON; numbers read back to the last digit."""
    content = {"format": FORMAT, "schema_version": SCHEMA_VERSION, "job": to_plain(state)}
    return json.dumps(content, ensure_ascii=False, allow_nan=False)


def job_of_text(text: str) -> JobState:
    """Read what `job_text` wrote.

    Raises
    ------
    TieFileError
        When it is damaged, foreign, or of a newer version.
    """
    try:
        content = json.loads(text)
    except ValueError:
        raise TieFileError("The stored job is damaged.", "Take an undamaged copy.") from None
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise TieFileError("What is stored is no Sitetie job.", "Take an undamaged copy.")
    version = content.get("schema_version")
    if version not in range(1, SCHEMA_VERSION + 1):
        raise TieFileError(
            f"The stored job has schema version {version}; this version reads up to "
            f"{SCHEMA_VERSION}.", "Update Sitetie.",
        )
    job = content.get("job")
    if version == 1 and isinstance(job, dict):
        job = {**job, "units_chosen": bool(job.get("pairs"))}
    return from_plain(JobState, job, "job")


class JobStore(QObject):
    """Ties a job to the project that is open.

    Signals
    -------
    refused
        A job in the project could not be read; it stays there untouched until the job changes.
    """

    refused = pyqtSignal(SitetieError)

    def __init__(
        self, job: Job, project: Optional[QgsProject] = None, parent: Optional[QObject] = None
    ) -> None:
        super().__init__(parent)
        self._job = job
        self._project = project or QgsProject.instance()
        self._reading = False
        self._keep_stored = False
        job.changed.connect(self._changed)
        self._project.readProject.connect(self._read)
        self._project.writeProject.connect(self._write)
        self._project.cleared.connect(self._clear)

    def let_go(self) -> None:
        """Stop listening to the project."""
        self._project.readProject.disconnect(self._read)
        self._project.writeProject.disconnect(self._write)
        self._project.cleared.disconnect(self._clear)
        self._job.changed.disconnect(self._changed)

    def read(self) -> None:
        """Take over the job that the project holds."""
        text, there = self._project.readEntry(SCOPE, ENTRY, "")
        state = JobState()
        self._keep_stored = False
        if there and text:
            try:
                state = job_of_text(text)
            except SitetieError as error:
                self._keep_stored = True
                self._open(state)
                self.refused.emit(error)
                return
        self._open(state)

    def write(self) -> None:
        """Hand the job over to the project; it is saved with it."""
        if self._keep_stored:
            return
        stored = self._project.readEntry(SCOPE, ENTRY, "")[0]
        text = "" if self._job.state == JobState() else job_text(self._job.state)
        if text == stored:
            return
        if text:
            self._project.writeEntry(SCOPE, ENTRY, text)
        else:
            self._project.removeEntry(SCOPE, ENTRY)

    def _read(self, *_: object) -> None:
        self.read()

    def _write(self, *_: object) -> None:
        self.write()

    def _clear(self) -> None:
        self._keep_stored = False
        self._open(JobState())

    def _open(self, state: JobState) -> None:
        self._reading = True
        try:
            self._job.open(state)
        finally:
            self._reading = False

    def _changed(self) -> None:
        if not self._reading:
            self._keep_stored = False
            self._project.setDirty(True)

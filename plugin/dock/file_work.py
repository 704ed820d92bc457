"""What goes in and out of the dock as files: pair tables, ties, reports."""

from __future__ import annotations

import dataclasses
import os
from typing import Optional, Sequence

from qgis.core import QgsProject, QgsSettings, QgsVectorLayer
from qgis.PyQt.QtCore import QObject, QStandardPaths, QUrl
from qgis.PyQt.QtGui import QDesktopServices
from qgis.PyQt.QtWidgets import QFileDialog

from ...core.errors import SitetieError
from ...core.pair_table import PairTable, write_pairs
from ...core.pairs import Pair
from ...core.report import ReportDetails, write_report
from ...core.settings import Settings
from ...core.tie import Tie
from ...core.tie_file import loads
from ...core.whole_file import write_whole_file
from ...core.wording import counted
from ..job.job import Job
from ..job.state import AcceptedTie
from ..pair_source import pairs_from_file, pairs_from_layer, text_file
from ..report_pdf import write_report_pdf
from ..translation import tr
from .accept_dialog import AcceptDialog
from .dock import SitetieDock
from .pages import ACCEPTED
from .pair_table_dialog import PairTableDialog

FOLDER_SETTING = "sitetie/folder"
TABLES = tr("Text tables (*.csv *.tsv *.txt);;All files (*)")
REPORTS = tr("PDF, to print and sign (*.pdf);;HTML (*.html)")
TIES = tr("Sitetie tie (*.json);;All files (*)")


class FileWork(QObject):
    """Listens to the dock's actions and does what concerns files and acceptance."""

    def __init__(self, job: Job, dock: SitetieDock) -> None:
        super().__init__(dock)
        self._job, self._dock = job, dock
        actions = dock.actions_
        actions.pair_from_table.triggered.connect(lambda: self.pairs_from_table())
        actions.open_tie.triggered.connect(lambda: self.open_tie())
        actions.save_pairs.triggered.connect(lambda: self.save_pairs())
        actions.accept.triggered.connect(lambda: self.accept())
        actions.draft_report.triggered.connect(lambda: self.show_draft())
        dock.accepted.save_asked.connect(self.save_tie)
        dock.accepted.report_asked.connect(self.show_report)
        dock.accepted.save_report_asked.connect(self.save_report)

    # -- in -------------------------------------------------------------------------------------

    def pairs_from_table(self) -> None:
        """Ask for a table layer or a file, and take its pairs."""
        dialog = PairTableDialog(self._dock)
        if dialog.exec():
            self.take_pairs(dialog.layer(), dialog.path())
        dialog.deleteLater()

    def take_pairs(self, layer: Optional[QgsVectorLayer], path: str) -> None:
        """Add the pairs of a table layer, or of a file when there is no layer."""
        settings = self._job.state.settings
        try:
            table = _pair_table(layer, path, settings)
            fresh, there = self._new_pairs(table)
            if fresh:
                self._job.add_pairs(fresh)
        except SitetieError as error:
            self._dock.say_error(error)
            return
        name = os.path.basename(table.path or tr("the table"))
        known = tr("; {there} were there already").format(there=there) if there else ""
        frame = ""
        if fresh and all(pair.observation.crs is None for pair in fresh):
            frame = tr(
                " Latitudes and longitudes are read in {observation_crs}.").format(
                observation_crs=settings.observation_crs)
        self._dock.say(tr(
            "{counted} from {name}{known}.{frame}").format(
            counted=counted(len(fresh), 'pair'), name=name, known=known, frame=frame))

    def _new_pairs(self, table: Sequence[Pair]):
        """The pairs that the job does not hold yet, and how many it does. The place in a file is
        forgotten: the job outlives the file."""
        known = {(pair.control.id, pair.observation.id) for pair in self._job.state.pairs}
        fresh = [dataclasses.replace(pair, file=None, row=None) for pair in table
                 if (pair.control.id, pair.observation.id) not in known]
        return fresh, len(table) - len(fresh)

    def open_tie(self) -> None:
        """Ask for a tie file, and go on from its pairs and settings."""
        path = self._open_name(tr("Open a tie"), TIES)
        if path:
            self.take_tie(path)

    def take_tie(self, path: str) -> None:
        try:
            tie = Tie.load(path)
        except SitetieError as error:
            self._dock.say_error(error)
            return
        if not tie.pairs:
            self._dock.say(tr(
                "This tie was made from typed parameters: it has no pairs to "
                "go on from."), warning=True)
            return
        name = os.path.basename(path)
        self._job.change(tr("Open {name}").format(name=name), self._job.state.replace(
            settings=tie.settings, pairs=tie.pairs, units_chosen=True))
        self._dock.say(tr(
            "{counted} and the settings from {name}.").format(
            counted=counted(len(tie.pairs), 'pair'), name=name))

    # -- out ------------------------------------------------------------------------------------

    def accept(self) -> None:
        """Show what is weak, and give the tie its number if the person says so."""
        tie = self._job.tie
        if tie is None or not self._dock.actions_.accept.isEnabled():
            return
        dialog = AcceptDialog(tie, self._job.state.next_number(), self._dock)
        if dialog.exec():
            item = self._job.accept(dialog.surveyor.text().strip(),
                                    dialog.note.toPlainText().strip())
            self._dock.show_page(ACCEPTED)
            self._dock.say(tr(
                "Accepted as tie {number}. Layers can now be restated through it.").format(
                number=item.number))
        dialog.deleteLater()

    def save_pairs(self) -> None:
        path = self._save_name(tr("Save the pairs"), "pairs.csv", TABLES)
        if not path:
            return
        try:
            write_pairs(path, self._job.state.pairs)
        except SitetieError as error:
            self._dock.say_error(error)
        else:
            self._dock.say(tr("Saved {path}.").format(path=path))

    def save_tie(self, item: AcceptedTie) -> None:
        path = self._save_name(tr("Save the tie"), f"tie_{item.number}.json", TIES)
        if not path:
            return
        try:
            write_whole_file(path, item.text.encode("utf-8"))
        except SitetieError as error:
            self._dock.say_error(error)
        else:
            self._dock.say(tr("Saved {path}.").format(path=path))

    # -- reports --------------------------------------------------------------------------------

    def show_draft(self) -> None:
        """Open the report of the present solution in the browser."""
        tie = self._job.tie
        if tie is not None:
            self._open_report(tie, ReportDetails(job=_job_name()), f"solution_{tie.short_id}")

    def show_report(self, item: AcceptedTie) -> None:
        """Open the report of an accepted tie in the browser."""
        try:
            tie = loads(item.text.encode("utf-8"))
        except SitetieError as error:
            self._dock.say_error(error)
            return
        self._open_report(tie, _details(item), f"tie_{item.number}_{item.tie_id[:8]}")

    def save_report(self, item: AcceptedTie) -> None:
        """Write the report of an accepted tie as PDF or, by the name's ending, as HTML."""
        path = self._save_name(tr("Save the report"), f"tie_{item.number}_report.pdf", REPORTS)
        if not path:
            return
        try:
            tie = loads(item.text.encode("utf-8"))
            if path.lower().endswith((".html", ".htm")):
                write_report(tie, path, _details(item))
            else:
                write_report_pdf(tie, path, _details(item))
        except SitetieError as error:
            self._dock.say_error(error)
        else:
            self._dock.say(tr("Saved {path}.").format(path=path))

    def _open_report(self, tie: Tie, details: ReportDetails, name: str) -> None:
        # In a place of the user's own: the browser may still read it when QGIS is gone.
        folder = os.path.join(
            QStandardPaths.writableLocation(QStandardPaths.StandardLocation.TempLocation),
            "sitetie_reports")
        path = os.path.join(folder, f"{name}.html")
        try:
            os.makedirs(folder, exist_ok=True)
            write_report(tie, path, details)
        except SitetieError as error:
            self._dock.say_error(error)
            return
        except OSError as error:
            self._dock.say(tr(
                "The report cannot be written to {folder} ({strerror}).").format(
                folder=folder, strerror=error.strerror),
                           warning=True)
            return
        if QDesktopServices.openUrl(QUrl.fromLocalFile(path)):
            self._dock.say(tr("The report is open in the browser ({path}).").format(path=path))
        else:
            self._dock.say(tr(
                "No browser could be started. The report is in {path}.").format(
                path=path), warning=True)

    # -- names ----------------------------------------------------------------------------------

    def _folder(self) -> str:
        return QgsSettings().value(FOLDER_SETTING, "", type=str) or (
            QgsProject.instance().homePath())

    def _open_name(self, title: str, kinds: str) -> str:
        path, _ = QFileDialog.getOpenFileName(self._dock, title, self._folder(), kinds)
        return self._remembered(path)

    def _save_name(self, title: str, name: str, kinds: str) -> str:
        path, _ = QFileDialog.getSaveFileName(
            self._dock, title, os.path.join(self._folder(), name), kinds)
        if path and not os.path.splitext(path)[1]:
            path += os.path.splitext(name)[1]
        return self._remembered(path)

    def _remembered(self, path: str) -> str:
        if path:
            QgsSettings().setValue(FOLDER_SETTING, os.path.dirname(path))
        return path


def _pair_table(layer: Optional[QgsVectorLayer], path: str, settings: Settings) -> PairTable:
    file = text_file(layer) if layer is not None else path
    if file is not None:
        return pairs_from_file(file, settings=settings)
    assert layer is not None
    return pairs_from_layer(layer, layer.name(), settings=settings)


def _details(item: AcceptedTie) -> ReportDetails:
    when = item.time.replace("T", " ").replace("Z", " UTC")
    return ReportDetails(job=_job_name(), surveyor=item.surveyor, note=item.note,
                         number=item.number, accepted=when)


def _job_name() -> str:
    project = QgsProject.instance()
    return project.title() or project.baseName()

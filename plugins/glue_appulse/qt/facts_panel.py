"""Panel with the facts of a body in the frames, of a comet's tail and coma too, each with its source."""

from qtpy.QtWidgets import (
    QApplication,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QLineEdit,
    QProgressBar,
    QPushButton,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
)

from appulse.captions import error_text, facts_lines, value_text
from appulse.workflows import GivenFigures, gather_facts
from glue_appulse.data.solved_frames import frame_of
from glue_appulse.data.tail_data import of_one
from glue_appulse.data.track_data import usable
from glue_appulse.qt.desk import frames_of
from glue_appulse.qt.panels import BackgroundWork, Panel

COLUMNS = ("fact", "value", "uncertainty", "how", "source")


class FactsPanel(Panel):
    """What a caption may say of one body: made anew for every body, in a window that stays."""

    def __init__(self, session, parent=None):
        super().__init__(session, parent, "Facts of a body")
        self.resize(860, 460)
        self._job, self._asked, self.facts = None, None, ()
        self.object_line, self.tail_line = QLineEdit(), QLineEdit()
        self.object_line.setPlaceholderText("object behind it, such as IC 4603")
        self.tail_line.setPlaceholderText("a comet's tail as your picture shows it, degrees")
        for line in (self.object_line, self.tail_line):
            line.returnPressed.connect(self.again)
        self.again_button, self.copy_button = QPushButton("Work out"), QPushButton("Copy")
        self.again_button.clicked.connect(lambda _on=False: self.again())
        self.copy_button.clicked.connect(lambda _on=False: self.copy())
        self.heading = QLabel()
        top = QHBoxLayout()
        top.addWidget(self.heading)
        for widget, stretch in ((self.object_line, 1), (self.tail_line, 1), (self.again_button, 0)):
            top.addWidget(widget, stretch)
        self.table = QTableWidget(0, len(COLUMNS))
        self.table.setHorizontalHeaderLabels(COLUMNS)
        self.table.verticalHeader().hide()
        self.table.setWordWrap(True)
        self.table.setEditTriggers(QTableWidget.NoEditTriggers)
        header = self.table.horizontalHeader()
        header.setSectionResizeMode(QHeaderView.ResizeToContents)
        for column in (2, 3, 4):
            header.setSectionResizeMode(column, QHeaderView.Stretch)
        self.progress = QProgressBar()
        self.progress.hide()
        foot = QHBoxLayout()
        foot.addWidget(self.status, 1)
        foot.addWidget(self.copy_button)
        layout = QVBoxLayout(self)
        layout.addLayout(top)
        layout.addWidget(self.table, 1)
        layout.addWidget(self.progress)
        layout.addLayout(foot)

    def ask(self, source, key: str) -> BackgroundWork | None:
        """Work out the facts of a body of a source."""
        self._asked = source, key
        self.heading.setText(source.label_of(key))
        return self.again()

    def again(self) -> BackgroundWork | None:
        """Work the facts out for what is in the lines now."""
        if self._asked is None or (self._job is not None and not self.again_button.isEnabled()):
            return None
        (source, key), name = self._asked, self.object_line.text().strip()
        good, lines = usable(frames_of(self.session))
        if not good:
            self.say("; ".join(lines) or "no solved frame is loaded; open one with File > Open Data Set")
            return None
        try:
            given = GivenFigures(tail_deg=_tail(self.tail_line.text()))
        except ValueError as exc:
            self.fail(exc)
            return None
        self.again_button.setEnabled(False)
        self.progress.setRange(0, 0)
        self.progress.show()
        self.say("")
        frames, label = [frame_of(data) for data in good], source.label_of(key)

        def work(_job):
            from appulse.catalogues import find_object

            outline = find_object(name) if name else None
            return gather_facts(frames, of_one(source, key), outline, name=label, given=given).facts

        self._job = BackgroundWork(work)
        self._job.done.connect(lambda facts: self.show_facts(facts, lines))
        self._job.failed.connect(self.fail)
        self._job.ended.connect(self._ended)
        return self._job.start()

    def _ended(self):
        self.again_button.setEnabled(True)
        self.progress.hide()

    def show_facts(self, facts: tuple, left_out: list[str]):
        """Fill the table; frames that were left out are named."""
        self.facts = tuple(facts)
        self.table.setRowCount(len(self.facts))
        for row, fact in enumerate(self.facts):
            name = fact.key.replace("_", " ")
            cells = (name, value_text(fact), error_text(fact), fact.formula, fact.source)
            for column, text in enumerate(cells):
                item = QTableWidgetItem(text)
                item.setToolTip(text)
                self.table.setItem(row, column, item)
        self.table.resizeRowsToContents()
        self.say("; ".join(left_out))

    def copy(self):
        """Put the facts on the clipboard as lines of text, as the command line's `facts` names them."""
        QApplication.clipboard().setText(facts_lines(self.facts))
        self.say("copied" if self.facts else "there is nothing to copy yet")


def _tail(text: str) -> float | None:
    """Length of a tail on the sky, degrees, out of a line; None where it is empty."""
    from appulse.errors import InputError

    if not text.strip():
        return None
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not 0 < value < 180:
        raise InputError(f"tail {text.strip()!r}: a length in degrees, above 0 and below 180, is wanted")
    return value

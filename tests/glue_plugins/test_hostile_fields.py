"""Words that make no sense in every field of the panels, and every button pressed over them."""

import os
import random
import sys
from pathlib import Path

import pytest
from glue.core.data_factories import load_data

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "hostile"))

from cases import ODD_NUMBERS, ODD_WORDS, Material
from judge import CONTROL, hashes

from appulse.cli.main import main
from appulse.formats import read_residuals
from glue_appulse import inputs
from glue_appulse.data.residual_data import add_rows
from glue_appulse.measurements import EXPORTERS

pytestmark = pytest.mark.needs_qt

PANELS = ("_setup", "_player", "_bodies", "_outlines", "_measure", "_residuals", "_sequence")
STEPS = 25
"""Presses of a button, each after some fields were filled in."""
NUMBERS = (0.0, -1.0, 1e-300, 1e300, float("inf"), float("-inf"), float("nan"), 1e9)


@pytest.fixture
def folder(tmp_path, sample_data, monkeypatch):
    material = Material(tmp_path / "good", sample_data).folder
    monkeypatch.setenv("APPULSE_SETTINGS", str(tmp_path / "OUT" / "settings.yaml"))
    monkeypatch.setattr(inputs, "_choices", None)
    monkeypatch.chdir(tmp_path)
    return material


@pytest.fixture
def slots(app, monkeypatch):
    """What came out of a slot: Qt would end the program over it."""
    from qtpy.QtWidgets import QApplication

    caught = []
    monkeypatch.setattr(sys, "excepthook", lambda kind, error, trace: caught.append((error, trace)))
    # What glue put off in windows of earlier tests is theirs: those windows are gone.
    QApplication.processEvents()
    caught.clear()
    return caught


@pytest.fixture
def answered(monkeypatch, folder, tmp_path):
    """Dialogs for files and questions answer at once; what they answer is one of these."""
    from qtpy.QtWidgets import QDialog, QFileDialog, QInputDialog, QMessageBox

    dice = random.Random(3)
    files = ["", *(str(folder / name) for name in (".", "a.png", "a.psv")), "/dev/null", "/no/a", "x" * 700]
    targets = ["", str(tmp_path / "OUT" / "a.ecsv"), str(tmp_path / "OUT" / "a.html"), "/no/such/a.psv"]
    for name in ("getOpenFileName", "getOpenFileNames", "getSaveFileName"):
        choices, many = targets if "Save" in name else files, name.endswith("s")

        def answer(*_args, _choices=choices, _many=many, **_options):
            chosen = dice.choice(_choices)
            return ([chosen] if _many else chosen), ""

        monkeypatch.setattr(QFileDialog, name, answer)
    folders = [str(tmp_path / "OUT"), ""]
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *a, **o: dice.choice(folders))
    monkeypatch.setattr(QInputDialog, "getText", lambda *a, **o: (dice.choice(ODD_WORDS), True))
    for box in (QDialog, QMessageBox):
        for name in ("exec", "exec_"):
            monkeypatch.setattr(box, name, lambda *a, **o: dice.choice([0, 1]), raising=False)


def filled(panel, dice):
    """Odd values in some fields of a panel."""
    from qtpy.QtWidgets import QCheckBox, QComboBox, QDoubleSpinBox, QLineEdit, QSpinBox

    fields = [w for kind in (QLineEdit, QComboBox, QDoubleSpinBox, QSpinBox, QCheckBox)
              for w in panel.findChildren(kind) if w.isEnabled()]  # fmt: skip
    for widget in dice.sample(fields, min(len(fields), dice.randint(1, 4))):
        odd = dice.choice((*ODD_WORDS, *ODD_NUMBERS)).replace("\0", "")
        if isinstance(widget, QLineEdit):
            widget.setText(odd)
            widget.editingFinished.emit()
        elif isinstance(widget, QComboBox):
            if widget.isEditable() and dice.random() < 0.6:
                widget.setEditText(odd)
            elif widget.count():
                widget.setCurrentIndex(dice.randrange(widget.count()))
        elif isinstance(widget, QSpinBox):
            widget.setValue(dice.choice((0, -1, 2**31 - 1, -(2**31))))
        elif isinstance(widget, QDoubleSpinBox):
            widget.setValue(dice.choice(NUMBERS))
        else:
            widget.setChecked(dice.random() < 0.5)


@pytest.mark.parametrize("name", PANELS)
def test_no_field_brings_the_viewer_down(app, folder, slots, answered, tmp_path, capsys, name):
    from qtpy.QtWidgets import QApplication, QPushButton

    from glue_appulse.qt import menus
    from glue_appulse.qt.desk import show_frames
    from glue_appulse.qt.panels import BackgroundWork

    dice = random.Random(name)
    (tmp_path / "OUT").mkdir()
    before = hashes(tmp_path, tmp_path / "OUT")
    frames = [load_data(str(folder / f"f{number}.fits")) for number in (1, 3)]
    app.add_datasets(frames)
    show_frames(app.session, frames)
    if name == "_residuals":
        words = ["residuals", str(folder / "f3.fits"), "--body", "7", "--orbits", str(folder / "orbit.ecsv")]
        assert main([*words, "--out", str(tmp_path / "OUT" / "m")]) == 0
        add_rows(app.data_collection, read_residuals(tmp_path / "OUT" / "m" / "residuals.ecsv"))
    panel = getattr(menus, name)(app.session, app.data_collection)
    targets = ("", "/no/such/a.psv", "x" * 700, str(tmp_path / "OUT" / "a.ecsv"), str(folder), "\x1b.html")
    pressed = 0
    for _ in range(STEPS):
        filled(panel, dice)
        buttons = [b.click for b in panel.findChildren(QPushButton) if b.isEnabled()]
        if name == "_residuals":  # whose buttons are tools; a choice of theirs comes to this
            buttons = [lambda: panel.export(dice.choice(EXPORTERS)[0], dice.choice(targets))]
        if buttons:
            dice.choice(buttons)()
            pressed += 1
        for job in list(BackgroundWork._alive):
            assert job.wait(60)
        QApplication.processEvents()
    out, err = capsys.readouterr()
    assert pressed > STEPS / 2
    assert slots == []
    assert "Traceback" not in err, err[-3000:]
    assert "fault of the program" not in err
    assert not CONTROL.search(out + err)
    after = hashes(tmp_path, tmp_path / "OUT")
    assert after == before
    assert os.getcwd() == str(tmp_path)

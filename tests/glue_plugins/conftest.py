"""glue's application off-screen, and our plugins set up."""

import os
import sys

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ["GLUE_TESTING"] = "True"  # glue opens no message box that would wait for ever

import pytest

from glue_appulse import frames, outlines, residuals, tails, tracks
from glue_appulse.health import qt_problem

collect_ignore = ["conftest.py"]


@pytest.fixture(scope="session")
def registered():
    """Our plugins that need no Qt, set up."""
    for plugin in (frames, tracks, tails, outlines, residuals):
        plugin.setup()


@pytest.fixture(scope="session")
def needs_qt():
    """Skips, or fails in CI, with the line that says what Qt lacks."""
    problem = qt_problem()
    if problem and os.environ.get("APPULSE_REQUIRE_QT"):
        pytest.fail(problem, pytrace=False)
    if problem:
        pytest.skip(problem)


@pytest.fixture
def app(needs_qt, registered):
    """Glue's desktop application, off-screen."""
    from glue_qt.app import GlueApplication

    application = GlueApplication()
    yield application
    application.close()
    application.app.processEvents() if application.app is not None else None


@pytest.fixture(autouse=True)
def no_words_of_other_tests():
    """Boxes that wait for nobody are closed: the next test's words would be added to those of this one."""
    yield
    widgets = sys.modules.get("qtpy.QtWidgets")
    if widgets is not None and widgets.QApplication.instance() is not None:
        for box in widgets.QApplication.topLevelWidgets():
            if isinstance(box, widgets.QMessageBox):
                box.close()

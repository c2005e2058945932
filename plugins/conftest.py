"""Doctests of modules that need Qt are collected only where Qt is there; what needs a notebook, never."""

import os

from glue_appulse.health import qt_problem

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ["GLUE_TESTING"] = "True"

collect_ignore = ["conftest.py"]
# The libraries of widgets warn when they are imported: they are tested in a kernel of their own.
collect_ignore_glob = ["glue_appulse/jupyter/*.py", *(["glue_appulse/qt/*.py"] if qt_problem() else [])]

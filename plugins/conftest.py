"""Doctests of modules that need Qt are collected only where Qt is there."""

import os

from glue_appulse.health import qt_problem

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ["GLUE_TESTING"] = "True"

collect_ignore = ["conftest.py"]
collect_ignore_glob = ["glue_appulse/qt/*.py"] if qt_problem() else []

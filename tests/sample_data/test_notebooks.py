"""The tutorial notebooks: each runs, warns of nothing, and shows what it says."""

import importlib.util
import re
import sys

import pytest

MISSING = [name for name in ("ipykernel", "nbclient") if importlib.util.find_spec(name) is None]
pytestmark = pytest.mark.skipif(
    bool(MISSING), reason=f"not installed: {', '.join(MISSING)}; pip install '.[jupyter,test]'"
)

SAYS = {
    "night": r"the clock is off by \+95\.\d ± 0\.\d s",
    "passes": r"Iris passes IC 4603 at 3\.7 arcmin",
    "verdict": r"The clock is off by \+[56]\d\.\d ± ",
    "pictures": r"composite\.png",
}
"""What the outputs of a page must hold: answers that were put in, or that another way of computing gave."""


@pytest.fixture(scope="module")
def maker(sample_data):
    spec = importlib.util.spec_from_file_location(
        "make_notebooks", sample_data / "notebooks" / "make_notebooks.py"
    )
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    yield module
    sys.modules.pop("make_notebooks", None)


def shown(book):
    """What the cells of a notebook printed, and what else they showed as text."""
    outputs = [output for cell in book.cells for output in cell.get("outputs", ())]
    return [str(output.get("text") or output.get("data", {}).get("text/plain", "")) for output in outputs]


@pytest.mark.parametrize("name", SAYS)
def test_a_page_runs_and_holds_what_it_says(maker, name):
    import nbformat

    stored = nbformat.read(maker.HERE / f"{name}.ipynb", as_version=4)
    fresh = maker.notebook(maker.PAGES[name])
    assert [cell.source for cell in stored.cells] == [cell.source for cell in fresh.cells]
    maker.run(fresh)
    for book in (stored, fresh):
        complaints = [output for cell in book.cells for output in cell.get("outputs", ())
                      if output.get("name") == "stderr" or output.output_type == "error"]  # fmt: skip
        assert complaints == []
        assert re.search(SAYS[name], "\n".join(shown(book)))

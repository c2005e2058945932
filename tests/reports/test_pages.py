"""Blocks set on pages."""

from appulse.reports.evidence_pdf import MARGIN_INCH, PAGE_INCH, fixed, heading, pages


def test_pages_hold_what_they_were_given():
    """No block is lost, none reaches below its page, no heading is left alone at a foot."""
    blocks = []
    for k in range(30):
        blocks += [heading(f"part {k}"), *fixed([f"line {k}.{i}" for i in range(7 + k)])]
    found = list(pages(blocks, foot="foot"))
    texts = []
    for figure in found:
        figure.draw_without_rendering()
        mine = [text for panel in figure.subfigs for text in panel.texts]
        assert min(text.get_window_extent().y0 for text in mine) > 0.5 * MARGIN_INCH * figure.dpi
        assert max(text.get_window_extent().x1 for text in mine) < figure.bbox.x1
        assert not mine[-1].get_text().startswith("part")
        texts += [text.get_text() for text in mine]
    given = [[f"part {k}", *(f"line {k}.{i}" for i in range(7 + k))] for k in range(30)]
    assert texts == [words for part in given for words in part]
    assert len(found) > 5


def test_a_table_says_again_what_its_columns_are():
    lines = ["head", *(f"row {k}" for k in range(300))]
    texts = [
        [t.get_text() for p in figure.subfigs for t in p.texts] for figure in pages(fixed(lines, headed=True))
    ]
    assert len(texts) > 2
    assert all(page[0] == "head" and page.count("head") == 1 for page in texts)
    assert [text for page in texts for text in page[1:]] == lines[1:]


def test_lines_too_long_for_a_page_are_set_smaller_not_cut():
    figure = next(pages(fixed(["x" * 200])))
    figure.set_dpi(600)  # at fewer the letters' widths are rounded to pixels
    figure.draw_without_rendering()
    (text,) = figure.subfigs[0].texts
    assert len(text.get_text()) == 200
    assert text.get_window_extent().x1 < (PAGE_INCH[0] - 0.9 * MARGIN_INCH) * figure.dpi

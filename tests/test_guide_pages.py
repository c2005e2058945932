"""README and guide: every command runs on the sample night, and the figures are those that a run gives."""

import re
import shlex
import shutil
from pathlib import Path

import numpy as np
import pytest
import yaml
from astropy.io import fits
from astropy.table import Table
from astropy.time import Time
from astropy.wcs import WCS

from appulse.cli.guide import pages, plain_text
from appulse.cli.main import COMMANDS, build_parser, join_negative_values, main
from appulse.constants import J2000_JD

ROOT = Path(__file__).resolve().parents[1]
PAGES = {"README": (ROOT / "README.md").read_text(encoding="utf-8"), **pages()}

NOT_RUN = {
    "appulse view": "opens a window",
    "appulse doctor": "loads the viewer; tests/glue_plugins runs it",
    "appulse online": "asks services",
    "appulse orbits update": "asks a service",
}
"""Commands that a test cannot run: their words are parsed."""

NOT_OURS = ("python3 -m venv", "sudo apt-get")
"""Lines of README that set a machine up: .ci/run runs them."""

STAND_INS = {"YOUR_CODE": "X05"}
"""What a reader puts in, and what stands for it here: a code of the Minor Planet Center's list."""

BEFORE = (
    "appulse residuals night/*.fits --body 7 --orbits mine.ecsv --stars stars.ecsv --out measured",
    "appulse residuals night/*.fits --body 7 --station X05 --also psv --out theirs",
)
"""What these pages take for granted because another page has it: run once, for both."""
LATER_PAGES = {"second-thoughts": "measured", "together": "mine"}

CROP = 440
"""Pixels on a side of the frames that the commands run on: body and nebula, and a tenth of the work."""

SIGNED = r"([+-]\d+\.\d+) ± (\d+\.\d+)"


def commands(text):
    """Command lines of a page's blocks, as words; lines that end in a backslash go on."""
    blocks = re.findall(r"^```\n(.*?)^```", text, flags=re.M | re.S)
    lines = "".join(blocks).replace("\\\n", " ").splitlines()
    return [tuple(shlex.split(line, comments=True)) for line in lines if line.strip()]


def is_started_by(words, beginnings):
    return any(" ".join(words).startswith(beginning) for beginning in beginnings)


@pytest.fixture(scope="session")
def small_night(sample_data, tmp_path_factory):
    """The sample night cut to the middle of the nebula, as plain FITS, with what the pages name beside it."""
    folder = tmp_path_factory.mktemp("pages")
    (folder / "night").mkdir()
    for number in range(1, 7):
        with fits.open(sample_data / f"iris_{number}.fits.fz") as frame:
            image = frame["FRAME"]
            x, y = WCS(image.header, fix=False).all_world2pix([[246.41, -24.45]], 0)[0].astype(int)
            x0, y0 = max(0, x - CROP // 2), max(0, y - CROP // 2)
            cut = fits.PrimaryHDU(image.data[y0 : y0 + CROP, x0 : x0 + CROP].copy())
            taken = {"XTENSION", "PCOUNT", "GCOUNT", "EXTNAME"} | set(cut.header)
            for card in image.header.cards:
                if card.keyword not in taken:
                    cut.header.append(card)
            cut.header["CRPIX1"] -= x0
            cut.header["CRPIX2"] -= y0
            tables = [part.copy() for part in frame if part.name == "EXPOSURES"]
            fits.HDUList([cut, *tables]).writeto(folder / "night" / f"00{number}.fits")
    names = {"orbit.ecsv": "mine.ecsv", "stars.ecsv": "stars.ecsv", "campaign.yaml": "spring.yaml"}
    for source, name in names.items():
        shutil.copy(sample_data / source, folder / name)
    block = re.search(r"^```yaml\n(rules.*?)^```", PAGES["pictures"], flags=re.M | re.S)
    (folder / "year.yaml").write_text(block[1], encoding="utf-8")
    return folder


@pytest.fixture(scope="session")
def measured_before(small_night, tmp_path_factory):
    """The folders `measured` and `theirs` that :data:`BEFORE` makes."""
    folder = tmp_path_factory.mktemp("before") / "work"
    shutil.copytree(small_night, folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        patch.setenv("APPULSE_SETTINGS", str(folder / "none.yaml"))
        for line in BEFORE:
            assert run(shlex.split(line)) == 0, line
    return folder


def run(words):
    """Exit code of a command; patterns of file names are filled in, as a shell does."""
    out = []
    for word in words[1:]:
        word = STAND_INS.get(word, word)
        out += sorted(str(path) for path in Path().glob(word)) if "*" in word else [word]
    return main(out)


GUIDE_COMMANDS = {words for name, text in PAGES.items() if name != "README" for words in commands(text)}


@pytest.mark.parametrize("page", [name for name, text in PAGES.items() if commands(text)])
def test_every_command_of_a_page_runs(
    page, small_night, sample_data, tmp_path, monkeypatch, capsys, request
):  # fmt: skip
    folder = tmp_path / "work"
    shutil.copytree(small_night, folder)
    monkeypatch.chdir(folder)
    monkeypatch.setenv("APPULSE_SETTINGS", str(tmp_path / "none.yaml"))
    if page in LATER_PAGES:
        before = request.getfixturevalue("measured_before")
        shutil.copytree(before / "measured", LATER_PAGES[page])
        shutil.copytree(before / "theirs", "theirs")
    if page == "second-thoughts":
        shutil.copy("theirs/residuals.psv", "published.psv")
    if page == "together":
        shutil.copy("theirs/residuals.psv", "friend.psv")
        shutil.copytree(sample_data / "pair", "pair")
    for words in commands(PAGES[page]):
        if is_started_by(words, NOT_OURS) or (page == "README" and words in GUIDE_COMMANDS):
            continue  # README's lines that the guide repeats run with the guide's page
        if words[:2] == ("appulse", "demo"):
            continue  # the test of the figures runs it
        if is_started_by(words, NOT_RUN):
            entry = next(entry for entry in COMMANDS if entry.name == words[1])
            given = [word for word in words[1:] if "*" not in word]
            assert build_parser(entry).parse_args(join_negative_values([*given, "x.fits"][: len(words) - 1]))
            continue
        assert run(words) == 0, f"{' '.join(words)}\n{capsys.readouterr().err}"


@pytest.mark.parametrize("page", PAGES)
def test_what_a_page_names_in_passing_is_a_command(page):
    known = {entry.name for entry in COMMANDS} | {"COMMAND", "TOPIC"}
    for named in re.findall(r"`appulse ([\w-]+)", PAGES[page]):
        assert named in known


@pytest.mark.parametrize("page", PAGES)
def test_links_and_pictures_of_a_page_are_there(page):
    home = ROOT if page == "README" else ROOT / "plugins/appulse/guide"
    for target in re.findall(r"\]\(([^)#]+)\)", PAGES[page]):
        assert target.startswith("https://") or (home / target).is_file(), target


def test_readme_is_short_and_names_every_page():
    assert len(PAGES["README"].encode()) <= 9000
    for topic in pages():
        assert f"plugins/appulse/guide/{topic}.md" in PAGES["README"]


# The figures


def stated(page, pattern):
    """Numbers that a page states."""
    found = re.search(pattern, " ".join(PAGES[page].split()))
    assert found, f"{page} no longer says {pattern}"
    return [float(number) for number in found.groups()]


@pytest.fixture(scope="module")
def verdict(demo_night):
    return demo_night.printed[demo_night.printed.index("The plate solution is shifted") :]


@pytest.mark.parametrize("page", ["README", "signs-and-units"])
def test_the_clock_offset_is_the_demos(page, verdict):
    value, sigma = stated(page, rf"the clock is off by {SIGNED} s")
    run_value, run_sigma = (float(n) for n in re.search(rf"clock is off by {SIGNED} s", verdict).groups())
    assert abs(value - run_value) <= sigma
    assert abs(sigma - run_sigma) <= 0.3 * sigma


def test_the_plate_offset_is_the_demos(verdict):
    numbers = stated("signs-and-units", rf"shifted by {SIGNED} arcsec east and {SIGNED} north")
    run_numbers = re.search(rf"shifted by {SIGNED} arcsec east, {SIGNED} north", verdict).groups()
    # stated to the last digit of a sigma that rounds to 0.001
    np.testing.assert_allclose(numbers, [float(number) for number in run_numbers], atol=0.0011)


def test_what_was_put_in_is_what_the_answers_say(sample_data):
    answers = yaml.safe_load((sample_data / "answers.yaml").read_text(encoding="utf-8"))
    plate = [answers["plate_dra"], answers["plate_ddec"]]
    for page, pattern in (
        ("README", r"a clock that is (\d+) s late"),
        ("signs-and-units", r"clock was set (\d+) s late"),
        ("second-thoughts", r"clock is (\d+) s late"),
    ):
        assert stated(page, pattern) == [answers["clock_offset_s"]]
    assert stated("signs-and-units", r"shifted by \(([+-][\d.]+), ([+-][\d.]+)\)") == plate


def test_figures_of_the_planning_page(sample_data, tmp_path, monkeypatch):
    monkeypatch.setenv("APPULSE_SETTINGS", str(tmp_path / "none.yaml"))
    when = ["--from", "2027-05-04", "--to", "2027-05-06"]
    out = tmp_path / "passes.ecsv"
    assert main(["encounters", "--body", "7", "--object", "IC 4603", *when, "--out", str(out)]) == 0
    [separation] = stated("planning", r"by (\d\.\d) arcmin, seen from the Earth's centre")
    assert abs(Table.read(out)["separation"].quantity.to_value("arcmin")[0] - separation) <= 0.05
    plan = tmp_path / "plan"
    campaign = str(sample_data / "campaign.yaml")
    assert main(["plan", campaign, "--encounter", "7-IC4603-20270504", "--out", str(plan)]) == 0
    figures = yaml.safe_load((plan / "plan.yaml").read_text(encoding="utf-8"))["figures"]
    scale, altitude = stated("planning", r"scale is ([\d.]+) arcsec/px and .* altitude ([\d.]+) degrees")
    assert abs(figures["scale"]["value"] - scale) <= 0.005
    assert abs(figures["altitude"]["value"] - altitude) <= 0.05


def test_figures_that_are_constants_of_the_program():
    from appulse.bodies.kernels import default_kernels
    from appulse.encounters.capture import SATURATION_SHARE

    assert stated("planning", r"and (\d+)% of saturation") == [100 * SATURATION_SHARE]
    kernels = default_kernels()
    span = Time(J2000_JD, [kernels.start_d, kernels.end_d], format="jd", scale="tdb")
    assert f"cover {span[0].isot[:7]} to {span[1].isot[:7]}" in PAGES["limits"]


# The pages in the terminal


def test_guide_lists_its_pages(capsys):
    assert main(["guide"]) == 0
    said = capsys.readouterr().out
    assert all(topic in said for topic in pages())


@pytest.mark.parametrize("topic", pages())
def test_a_page_as_plain_text(topic, capsys):
    assert main(["guide", topic]) == 0
    said = capsys.readouterr().out
    assert "```" not in said
    assert "](" not in said
    assert "`" not in said, "a pair of backquotes runs over the end of a line"
    assert not re.search(r"(?<![\w/])\*\w", said), "emphasis runs over the end of a line"
    assert plain_text("a *b* `x*y` [c](d)\n\n| e | f |\n| --- | --- |\n| 1 | 2 |") == (
        "a b x*y c (d)\n\ne  f\n1  2"
    )


@pytest.mark.parametrize(
    ("asked", "said"), [("own_frame", "own-frames"), ("signs-and-unit", "signs-and-units"), ("?", "it has")]
)
def test_an_unknown_page_names_those_that_are_near(asked, said, capsys):
    assert main(["guide", asked]) == 2
    assert said in capsys.readouterr().err


def test_what_developers_md_names_is_there():
    """The map from capability to module cannot drift: every file that it names exists."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`((?:[a-z_0-9]+/)+[a-z_0-9]+\.(?:py|md)|(?:[a-z_0-9]+/)+)`", text))
    roots = ROOT, ROOT / "plugins", ROOT / "plugins/appulse", ROOT / "plugins/glue_appulse"
    missing = {name for name in named if not any((root / name).exists() for root in roots)}
    assert missing == set()
    assert len(named) > 40

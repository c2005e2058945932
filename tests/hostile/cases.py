"""Hostile inputs by number: the same number gives the same headers, pixels, tables, texts and arguments.

A case is a good run spoilt in one or two places. What is good lies in :class:`Material`; what spoils it are the
tables below and some random damage to bytes and words. The dice are Python's own, of a seed and a number, or
hypothesis's (:func:`hostile_cases`), which adds words of any characters, and shortens what it found.
"""

import argparse
import itertools
import random
import shutil
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from astropy.io import fits
from hypothesis import strategies as st

from appulse.bodies.kernels import DEFAULT_ASTEROIDS, DEFAULT_PLANETS
from appulse.cli.main import COMMANDS, build_parser

FIELD = "IC 4603"
SHAPE = (150, 150)
ODD_WORDS = (
    "", " ", "nan", "-inf", "1e999", "-0", "0", "-1", "9" * 400, "1e308", "1e-320", "²", "１２", "0x10", "1_000",
    "None", "null", "true", "[]", "{}", "a" * 700, "\x1b[31mred", "\u202egnp.exe", "x\u2028y", "../../etc/passwd",
    "%s%n", "=1+1", "&amp;", "<b>", "'", '"', "\\", "a,b,,c", "2027-02-30", "2027-05-04T99:00", "9999-12-31",
    "-4713-01-01", "1/0", "12:60:61", "+90.0000001", "é" * 90, "\x07", "all", "7,7", "~", "*", "/dev/null", "-",
)  # fmt: skip
ODD_NUMBERS = (
    "0", "-1", "1e999", "nan", "inf", "-inf", "1e308", "1e-320", "9" * 30, "9" * 400, "2147483648", "-0.0", "90.1",
    "1.5.2", "", "x", "(1, 2)", "T", "1e", "0.1d3", "359.9999999999", "1e15",
)  # fmt: skip
ODD_CARDS = (
    "= 'nan     '", "= 1E999", "=", "= ''", "= T", "= -1", "= 0", "= (1.0, 2.0)", f"= {'9' * 60}", "= 'x'", "= 1E308",
    "= 99999999999999999999", "= '\x1b[31m'", "= -90.5", "= '2027-13-45T00:00:00'", "= 1.0E-320", "= 360", "= '''",
)  # fmt: skip
KEYS = (
    "CRVAL1", "CRVAL2", "CRPIX1", "CRPIX2", "CTYPE1", "CTYPE2", "PC1_1", "PC2_2", "CDELT1", "CDELT2", "CUNIT1",
    "DATE-BEG", "DATE-AVG", "DATE-END", "XPOSURE", "TELAPSE", "EXPTIME", "OBSGEO-L", "OBSGEO-B", "OBSGEO-H",
    "OBSGEO-X", "SITELAT", "GAIN", "EGAIN", "RDNOISE", "SATURATE", "FILTER", "BUNIT", "BAYERPAT", "TIMESYS",
    "MJD-OBS", "NAXIS1", "NAXIS2", "NAXIS", "BITPIX", "BSCALE", "BZERO", "BLANK", "RADESYS", "EQUINOX", "LONPOLE",
    "A_ORDER", "A_2_0", "PV1_1", "WCSAXES", "TIMESYER", "NCOMBINE", "OBJECT", "INSTRUME", "EXTEND", "XBINNING",
)  # fmt: skip

KERNELS = {"planets": DEFAULT_PLANETS, "asteroids": DEFAULT_ASTEROIDS}
KERNEL_SPAN = 2461390.5, 2461610.5
"""The orbit's epoch and the nights of the sample are within, JD."""


@dataclass(frozen=True)
class Case:
    """One run: the command's words, and the answer of a service where it asks one."""

    words: list
    reply: bytes | None = None
    inputs: list = field(default_factory=list)


class Material:
    """Good inputs, made once: a small frame or two, tables, lists, a recipe.

    With the body in the frames a good run measures it, which takes seconds: for runs by hand.
    """

    def __init__(self, folder: Path, sample_data: Path, with_body: bool = False):
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        for number in (1, 3, 5):
            source = sample_data / f"iris_{number}.fits.fz"
            _crop(source, folder / f"f{number}.fits", _place_of_body(source, sample_data) if with_body else None)
        for name in ("orbit.ecsv", "stars.ecsv", "campaign.yaml"):
            shutil.copy(sample_data / name, folder / name)
        self.texts = {
            "times.txt": "# night\n2027-05-04T22:00\n2027-05-04T23:00:30.5Z\n",
            "places.csv": "designation,time,ra,dec\n" + "".join(
                f"7,2027-05-04T{h:02}:00:00,{246.2 + 0.01 * h:.4f},-24.4\n" for h in (18, 20, 22, 23)
            ),
            "a.psv": "# version=2022\npermID|mode|stn|obsTime|ra|dec|rmsRA|rmsDec|astCat\n"
            "7|CCD|X05|2027-05-05T03:00:00Z|246.35|-24.40|0.1|0.1|Gaia3\n"
            "7|CCD|X05|2027-05-05T04:00:00Z|246.34|-24.39|0.1|0.1|Gaia3\n",
            "b.psv": "# version=2022\npermID|mode|stn|obsTime|ra|dec|rmsRA|rmsDec|astCat\n"
            "7|CCD|W84|2027-05-05T03:00:00Z|246.351|-24.401|0.1|0.1|Gaia3\n"
            "7|CCD|W84|2027-05-05T04:00:00Z|246.341|-24.391|0.1|0.1|Gaia3\n",
            "a.xml": '<?xml version="1.0" encoding="UTF-8"?>\n<ades version="2022"><optical><permID>7</permID>'
            "<mode>CCD</mode><stn>X05</stn><obsTime>2027-05-05T03:00:00Z</obsTime><ra>246.35</ra>"
            "<dec>-24.40</dec><astCat>Gaia3</astCat></optical></ades>\n",
            "a.80": "00007         C2027 05 04.91667 16 24 00.00 -24 24 00.0          12.3 G      X05\n",
            "orbit.csv": "designation,epoch,a,e,i,node,peri,M,H\n7,2461400.5,2.3867,0.2297,5.518,259.5,145.5,200.0,5.6\n",
            "year.yaml": "rules: {count: 2, shortest_px: 80, formats: [png]}\npictures:\n"
            "  - {file: a.png, title: One, dates: [2027-05-04], instrument: own, facts: a.md}\n",
            "a.md": "# words\n## short\nSeen from {place}.\n## medium\n{body} at {place}.\n",
            "settings.yaml": "sites:\n  - {name: ledge, place: [8.5, 50.0, 120], lowest: 5}\n",
            "short.yaml": (sample_data / "campaign.yaml")
            .read_text(encoding="utf-8")
            .replace("{from: 2027-04-20, to: 2027-05-20}", "{from: 2027-05-03, to: 2027-05-06}"),
            "comet.ecsv": (folder / "orbit.ecsv").read_text().replace("\n7 ", "\n2P "),
            "loose.ecsv": (folder / "orbit.ecsv").read_text().replace(" 1.6e-15", " 1e-9").replace(" 1.6e-19", " 1e-14"),
            "outlines.csv": "name,level,ring,ra,dec\n" + "".join(
                f"own,1,1,{ra},{dec}\n" for ra, dec in ((246.3, -24.5), (246.5, -24.5), (246.4, -24.3))
            ),
            "state.json": '{"orbit": {"epoch": 2461400.5}, "object": {"des": "7"}}\n',
            "grades.csv": "frame,keep\nf1.fits,true\n",
            "recipe.yaml": "body: '7'\nframes:\n  f1.fits: {sha256: null, keep: true, place: {time: "
            "'2027-05-04T22:00:00', ra: 246.3, dec: -24.4, trail: [[246.3, -24.4]]}}\nsettings: {extent: common, fps: 2.0}\n",
        }  # fmt: skip
        for name, text in self.texts.items():
            (folder / name).write_text(text, encoding="utf-8")
        shape = fits.getdata(folder / "f1.fits").shape
        masters = {"bias": 100.0, "dark": 110.0, "flat": 20_000.0}
        for name, level in masters.items():
            noise = np.random.default_rng(1).normal(level, 3.0, shape)
            fits.writeto(
                folder / f"{name}.fits", noise.astype(np.uint16), fits.Header({"EXPTIME": 60.0}), overwrite=True
            )
        for name, text in _nights(folder / "orbit.ecsv").items():
            (folder / name).write_text(text, encoding="utf-8")
        for name in ("planets", "asteroids"):
            _short_kernel(KERNELS[name], folder / f"{name}.bsp")
        from PIL import Image

        Image.new("RGB", (100, 90), (90, 60, 30)).save(folder / "a.png")

    def good_runs(self) -> dict:
        """Words of runs that work, by command; the names of files stand in them as they are in the folder."""
        orbit, out, frame = ["--orbits", "orbit.ecsv"], ["--out", "OUT"], "f3.fits"
        table = [*out, "table.ecsv"]
        masters = ["--bias", "bias.fits", "--dark", "dark.fits", "--flat", "flat.fits"]
        kernels = ["--kernels", "planets.bsp", "asteroids.bsp"]
        span = ["--from", "2027-05-04T18:00", "--to", "2027-05-04T22:00", "--step", "1h"]
        return {
            "frame": [["frame", frame], ["frame", frame, "--wcs-from", "f1.fits", "--checksum"]],
            "predict": [
                ["predict", "--body", "7", *orbit, "--site", "X05", *span, *out, "table.ecsv"],
                ["predict", "--body", "7", "--orbits", "orbit.csv", "--site", "X05", "--times", "times.txt", *table],
                ["predict", "--body", "7", *orbit, *kernels, "--site", "X05", "--times", "times.txt", *table],
            ],
            "field": [
                ["field", frame, *orbit, "--limit", "12", *table],
                ["field", "f1.fits", frame, *orbit, "--outlines", "outlines.csv", *table],
                ["field", frame, *orbit, *kernels, "--mosaic", "RGGB", "--dask", "tcp://127.0.0.1:9", *table],
            ],
            "tails": [
                ["tails", frame, "--body", "2P", "--orbits", "comet.ecsv", *out],
                ["tails", "--at", "2027-02-01T20:00", "--site", "X05", "--body", "2P", "--betas", "0.1,1", "--ages",
                 "10,30", "--wind", "400", *out],
            ],
            "brightness": [
                ["brightness", frame, "--body", "2P", "--orbits", "comet.ecsv", "--radius", "30", *out],
                ["brightness", "f1.fits", frame, "--body", "2P", "--orbits", "comet.ecsv", "--stars", "stars.ecsv",
                 *masters, *out],
            ],
            "first-orbit": [
                ["first-orbit", "night1.psv", "night2.psv", "--body", "7", "--nights-to-come", "2", *out],
                ["first-orbit", "night1.psv", "night2.psv", "--body", "7", "--field", "80,60", "--seen-from", "X05",
                 *out],
            ],
            "residuals": [
                ["residuals", frame, "--body", "7", *orbit, "--stars", "stars.ecsv", *out],
                ["residuals", frame, "--body", "7", "--positions", "places.csv", "--also", "evidence,psv", *out],
                ["residuals", frame, "--body", "7", "--positions", "places.csv", *masters, *out],
                ["residuals", "f1.fits", frame, "--body", "7", *orbit, "--mosaic", "GBRG", "--jobs", "1", *out],
                ["residuals", frame, "--body", "7", *orbit, *kernels, "--dask", "127.0.0.1:9", *out],
                *(["residuals", "--observations", name, "--body", "7", *orbit, *out]
                  for name in ("a.psv", "a.xml", "a.80")),
            ],
            "movers": [
                ["movers", "f1.fits", "f3.fits", "f5.fits", *orbit, *table],
                ["movers", "f1.fits", "f3.fits", "f5.fits", *masters, "--sightings", "OUT/seen.ecsv", *table],
            ],
            "improve": [
                ["improve", "a.psv", "--body", "7", "--anyway", *orbit, *table],
                ["improve", "night1.psv", "--body", "7", "--anyway", "--orbits", "loose.ecsv", *table],
                ["improve", "a.xml", "--body", "7", *orbit, *kernels, *table],
            ],
            "together": [
                ["together", "a.psv", "b.psv", "--body", "7", *orbit, "--out", "OUT"],
                ["together", "a.psv", "a.80", "--body", "7", "--out", "OUT"],
                ["together", "night1.psv", "--body", "7", *orbit, "--for-others", "OUT/shared.ecsv", "--observer-km",
                 "10", *out],
                ["together", "a.psv", "b.psv", "--body", "7", *orbit, "--frames", "f1.fits", "f3.fits", *out],
            ],
            "encounters": [
                ["encounters", "short.yaml", *out, "passes.ecsv"],
                ["encounters", "--bodies", "7", "--targets", FIELD, "--from", "2027-05-03", "--to", "2027-05-05",
                 "--within", "1", *table],
            ],
            "plan": [["plan", "short.yaml", "--encounter", "7-IC4603-20270504", "--site", "home", *out]],
            "campaign": [["campaign", "check", "campaign.yaml"], ["campaign", "check", "short.yaml"]],
            "picture": [
                ["picture", "f1.fits", "f3.fits", "--body", "7", *orbit, "--preview", *out],
                ["picture", "f1.fits", "f3.fits", "--body", "7", "--positions", "places.csv", *masters, "--preview",
                 *out],
                ["picture", "f1.fits", "--body", "7", *orbit, "--colour", "a.png", "--grades", "grades.csv",
                 "--preview", *out],
                ["picture", "--recipe", "recipe.yaml", *out],
            ],
            "facts": [
                ["facts", frame, "--body", "7", *orbit, "--template", "a.md", *out],
                ["facts", frame, "--body", "7", "--positions", "places.csv", *out],
                ["facts", "--recipe", "recipe.yaml", *out],
            ],
            "entries": [["entries", "year.yaml", *out]],
            "orbits": [
                ["orbits", "list", "orbit.csv"], ["orbits", "list", "state.json"],
                ["orbits", "import", "orbit.ecsv", *out, "own.ecsv"], ["orbits", "update", "--body", "7", *table],
            ],
            "online": [
                ["online", "stars", "--frame", frame, *table], ["online", "cache"],
                ["online", "places", "--body", "7", *span, "--site", "X05", *table],
                ["online", "bodies", "--at", "246.3,-24.4", "--radius", "0.2", "--time", "2027-05-04T20:00", *table],
            ],
            "guide": [["guide", "tables"]],
            "view": [["view", "missing.fits"]],
            "doctor": [["doctor", "--nonsense"]],
            "demo": [["demo", "--data", "a.png", *out]],
        }  # fmt: skip


def _nights(orbits: Path) -> dict:
    """Two nights of places of (7) half an arcsecond beside its orbit, each from a site of its own."""
    from astropy.time import Time

    from appulse.observers import Site
    from appulse.workflows import open_bodies

    ephemeris, nights, dice = open_bodies("7", orbits).ephemeris, {}, np.random.default_rng(1)
    for name, day, code in (("night1.psv", 5, "X05"), ("night2.psv", 8, "W84")):
        times = Time([f"2027-05-{day:02}T{hour:02}:00:00" for hour in (3, 4, 5, 6)], scale="utc")
        lines = ["# version=2022", "permID|mode|stn|obsTime|ra|dec|rmsRA|rmsDec|astCat"]
        for time, row in zip(times, ephemeris.at(times, Site.from_mpc_code(code), bodies=["7"]), strict=True):
            ra, dec = (float(row[axis].value) + dice.normal(1.5, 0.3) / 3600 for axis in ("ra", "dec"))
            lines.append(f"7|CCD|{code}|{time.isot[:19]}Z|{ra:.6f}|{dec:.6f}|0.1|0.1|Gaia3")
        nights[name] = "\n".join(lines) + "\n"
    return nights


def _short_kernel(source: Path, target: Path) -> None:
    """Some months of a bundled kernel."""
    from jplephem.excerpter import write_excerpt
    from jplephem.spk import SPK

    with SPK.open(source) as kernel, open(target, "w+b") as out:
        write_excerpt(kernel, out, KERNEL_SPAN[0], KERNEL_SPAN[1], list(kernel.daf.summaries()))


def _place_of_body(source: Path, sample_data: Path) -> tuple:
    """Pixel of (7) in a sample frame."""
    from appulse.frames import read_frame
    from appulse.workflows import open_bodies

    frame = read_frame(source)
    bodies = open_bodies("7", sample_data / "orbit.ecsv").ephemeris
    row = bodies.at(frame.exposure.mid, frame.observer, bodies=["7"])[0]
    return tuple(float(value) for value in frame.to_pixel(row["ra"].value, row["dec"].value))


def _crop(source: Path, target: Path, middle: tuple | None = None) -> None:
    """A plain image of a sample frame's part about a pixel; about its own middle where none is given."""
    with fits.open(source) as found:
        data, header = found["FRAME"].data, found["FRAME"].header
        sizes = tuple(zip(data.shape[::-1], SHAPE[::-1], strict=True))
        middle = middle or tuple(n / 2 for n, _ in sizes)
        x0, y0 = (int(np.clip(at - m / 2, 0, n - m)) for at, (n, m) in zip(middle, sizes, strict=True))
        cut = fits.PrimaryHDU(data[y0 : y0 + SHAPE[0], x0 : x0 + SHAPE[1]].copy())
        for card in header.cards:
            if card.keyword not in {"XTENSION", "PCOUNT", "GCOUNT", "EXTNAME"} | set(cut.header):
                cut.header.append(card)
    cut.header["CRPIX1"] -= x0
    cut.header["CRPIX2"] -= y0
    cut.writeto(target, overwrite=True)


# --- what spoils them


def spoilt_header(raw: bytes, dice: random.Random) -> bytes:
    """A frame with one to three cards replaced, doubled or taken away."""
    raw = bytearray(raw)
    n_cards = next(i for i in range(0, len(raw), 80) if raw[i : i + 8] == b"END     ") // 80
    for _ in range(dice.randint(1, 3)):
        key = dice.choice(KEYS)
        place = next((i for i in range(n_cards) if raw[i * 80 : i * 80 + 8] == f"{key:8}".encode()), None)
        place = dice.randrange(6, n_cards) if place is None else place
        text = dice.choice(("", f"{key:8}{dice.choice(ODD_CARDS)}", f"{key:8}= {dice.choice(ODD_NUMBERS)}"))
        raw[place * 80 : place * 80 + 80] = f"{text:80}"[:80].encode("latin-1", "replace")
    return bytes(raw)


def spoilt_pixels(raw: bytes, dice: random.Random, folder: Path) -> bytes:
    """A frame whose pixels no sky has."""
    path = folder / "pixels.fits"
    path.write_bytes(raw)
    with fits.open(path, memmap=False) as hdus:
        data, header = hdus[0].data.astype(np.float32), hdus[0].header.copy()
    path.unlink()
    noise = np.random.default_rng(dice.randrange(1 << 30)).normal
    kinds = (
        lambda: np.full_like(data, dice.choice((0.0, 65535.0, -1.0, 1e30, np.nan, np.inf))),
        lambda: np.where(noise(size=data.shape) > dice.choice((-2, 0, 2)), np.nan, data),
        lambda: data * np.float32(dice.choice((1e-38, 1e34, -1.0, 0.0))),
        lambda: data[: dice.randint(1, 12), : dice.randint(1, 12)],
        lambda: np.indices(data.shape).sum(axis=0).astype(np.float32) % 2 * 60000,
        lambda: noise(100, 5, data.shape).astype(np.float32),
        lambda: np.where(noise(size=data.shape) > 3, np.float32(np.inf), data),
        lambda: np.stack([data] * dice.choice((1, 2, 3, 4))),
        lambda: data.astype(dice.choice((np.uint8, np.int16, np.int32, np.int64, np.float64, np.uint16))),
    )
    with np.errstate(all="ignore"):
        made = dice.choice(kinds)()
    for key in ("BSCALE", "BZERO", "BLANK"):
        header.remove(key, ignore_missing=True)
    fits.PrimaryHDU(made, header).writeto(path, overwrite=True, output_verify="silentfix")
    found = path.read_bytes()
    path.unlink()
    return found


def spoilt_bytes(raw: bytes, dice: random.Random) -> bytes:
    """Cut, doubled, filled or mixed up."""
    at = dice.randrange(len(raw) + 1)
    many = dice.randint(1, 400)
    return dice.choice((
        lambda: raw[:at], lambda: raw[at:], lambda: b"", lambda: raw + raw,
        lambda: raw[:at] + bytes(many) + raw[at:], lambda: raw[:at] + dice.randbytes(many) + raw[at + many :],
        lambda: b"\x1f\x8b" + raw, lambda: b"\xff\xfe" + raw,
    ))()  # fmt: skip


def spoilt_text(text: str, dice: random.Random, odd_words=(*ODD_WORDS, *ODD_NUMBERS)) -> bytes:
    """A text in which some numbers, words or lines are other ones."""
    for _ in range(dice.randint(1, 3)):
        lines = text.split("\n")
        at = dice.randrange(len(lines))
        words = [w for w in _words(lines[at]) if w.strip()]
        odd = dice.choice(odd_words)
        if words and dice.random() < 0.75:
            lines[at] = lines[at].replace(dice.choice(words), odd, 1)
        else:
            lines[at : at + 1] = dice.choice(
                ([], [lines[at]] * 2, [odd], [lines[at], "\t" + odd], [lines[at] * 40])
            )
        text = "\n".join(lines)
    coding = dice.choice(("utf-8",) * 8 + ("utf-16", "utf-32", "latin-1", "cp037"))
    if dice.random() < 0.02:
        text = dice.choice(("[", "{a: ", "- ", "<a>", "(")) * 20_000 + text
    return text.encode(coding, "replace")


def _words(line: str) -> list:
    for mark in ",|<>:[]{}=\t\"'":
        line = line.replace(mark, " ")
    return line.split(" ")


def options_of(command: str) -> list:
    """Every option of a command that takes a value, with its choices."""
    entry = next(entry for entry in COMMANDS if entry.name == command)
    parsers = [build_parser(entry)._subparsers._group_actions[0].choices[command]]
    found = []
    while parsers:
        for action in parsers.pop()._actions:
            if isinstance(action, argparse._SubParsersAction):
                parsers += action.choices.values()
            elif action.option_strings and action.nargs != 0:
                found.append(action.option_strings[-1])
    return found


REPLIES = (
    b"", b"null", b"[]", b"{}", b"7", b'"x"', b"[1]", b"[null]", b"{" * 9000, b"\xff", b"<html>", b'{"orbit": null}',
    b'{"list": 7}', b'{"orbit": {"elements": [{"name": "e"}]}}', b"<?xml version='1.0'?><VOTABLE/>", b"\x1f\x8b\x08",
    b'{"result": "No matches found."}', b'{"signature": 1, "result": null}', b'{"message": "\x1b[31m"}', b"[[]]",
)  # fmt: skip


class Generator:
    """Case number `n` of a seed, over all commands in turn."""

    def __init__(self, material: Material, seed: int = 1):
        self.material, self.seed = material, seed
        self.runs, self.options = material.good_runs(), {}
        self.commands = list(self.runs)

    def case(self, n: int, folder: Path) -> Case:
        """Write the case's inputs into a folder of its own, and say what is to be run."""
        command = self.commands[n % len(self.commands)]
        return self.case_of(command, folder, random.Random(f"{self.seed}/{n}"))

    def case_of(self, command: str, folder: Path, dice: random.Random, more_words: tuple = ()) -> Case:
        """A case of a command by the throws of dice; further odd words stand beside those of the tables."""
        self.odd_words = (*ODD_WORDS, *ODD_NUMBERS, *more_words)
        words = list(dice.choice(self.runs[command]))
        shutil.copytree(self.material.folder, folder, dirs_exist_ok=True)
        names = [w for w in words if (folder / w).is_file()]
        ways = ["argument"] + ["file"] * (3 if names else 0)
        for _ in range(dice.choice((1, 1, 2))):
            if dice.choice(ways) == "file":
                name = dice.choice(names + (["a.png", "a.md"] if command == "entries" else []))
                self._spoil(folder / name, dice)
            else:
                words = self._other_words(command, words, dice)
        if command in ("residuals", "predict", "encounters", "orbits") and dice.random() < 0.1:
            self._spoil(folder / "settings.yaml", dice)
            words += ["--site", "ledge"] if command in ("predict", "residuals") else []
        reply = dice.choice(REPLIES) if command in ("online", "orbits") else None
        words = [w if w != "OUT" else str(folder / "OUT") for w in _joined(words)]
        words = [
            str(folder / w) if w and len(w) < 200 and "\0" not in w and (folder / w).is_file() else w
            for w in words
        ]
        return Case(words, reply)

    def _spoil(self, path: Path, dice: random.Random) -> None:
        raw = path.read_bytes()
        # A header that was spoilt before is not opened again: a library may loop over the axes that it promises.
        whole = raw == (self.material.folder / path.name).read_bytes()
        if path.suffix == ".fits" and dice.random() < 0.85 and whole:
            way = spoilt_header if dice.random() < 0.6 else None
            made = way(raw, dice) if way else spoilt_pixels(raw, dice, path.parent)
        elif path.suffix in (".fits", ".png", ".bsp") or dice.random() < 0.15:
            made = spoilt_bytes(raw, dice)
        else:
            made = spoilt_text(raw.decode("utf-8", "replace"), dice, self.odd_words)
        path.write_bytes(made)

    def _other_words(self, command: str, words: list, dice: random.Random) -> list:
        if command not in self.options:
            self.options[command] = options_of(command)
        odd = dice.choice(self.odd_words).replace("\0", "")
        if odd == "/dev/null" and dice.random() < 0.5:
            odd = "a.png"
        fixed = {"--out", "--sightings", "--write-template", "--for-others"}  # where things go
        options = [option for option in self.options[command] if option not in fixed]
        at = [i for i in range(1, len(words)) if words[i] != "OUT" and words[i - 1] not in fixed]
        if not options or (at and dice.random() < 0.4):
            place = dice.choice(at) if at else len(words)
            return [*words[:place], odd, *words[place + 1 :]]
        return [*words, dice.choice(options), odd]


def hostile_cases() -> st.SearchStrategy:
    """What hypothesis throws: a command, the dice of a case, and words that no table has."""
    words = st.one_of(
        st.text(max_size=30), st.floats().map(repr), st.integers().map(str), st.complex_numbers().map(str),
        st.datetimes().map(lambda when: when.isoformat()), st.fractions().map(str),
    )  # fmt: skip
    names = st.sampled_from([command.name for command in COMMANDS])
    return st.tuples(names, st.randoms(use_true_random=False), st.lists(words, min_size=1, max_size=30))


def _joined(words: list) -> list:
    """``OUT table.ecsv`` is a file below the place for outputs."""
    found = []
    for previous, word in itertools.pairwise(["", *words]):
        if previous == "OUT" and "." in word and len(word) < 60 and "/" not in word:
            found[-1] = f"OUT/{word}"
        else:
            found.append(word)
    return found

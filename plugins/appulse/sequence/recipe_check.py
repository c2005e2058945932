"""Every entry of a recipe held against its type and range before anything is made of it."""

import math
import re

from appulse.errors import InputError, TimeError
from appulse.formats import short
from appulse.observers import parse_utc

MOST_FRAMES = 20_000
_SHA256 = re.compile(r"[0-9a-f]{64}")
_TOP = {
    "made_with", "body", "orbits", "stars", "masters", "colour", "reading", "settings", "also", "jpeg_px",
    "frames", "results",
}  # fmt: skip
_READING = {
    "hdu": (int, str), "wcs_from": (dict,), "time": (str,), "time_is": (str,), "exposure_s": (int, float),
    "clock_sigma_s": (int, float), "gain_e_adu": (int, float), "read_noise_e": (int, float),
    "saturation_adu": (int, float), "sip": (str,),
}  # fmt: skip
_LIES = {"n_stars", "rms_px", "shift_px", "flux_ratio", "ratio_sigma", "wcs"}


class RecipeCheck:
    """Raises with the recipe's path and the entry's place in it."""

    def __init__(self, path):
        self.path = path

    def wrong(self, where, wanted, value) -> InputError:
        """What is said of an entry that is none."""
        return InputError(f"{self.path}: {where} must be {wanted}, got {short(value)}")

    def need(self, where, value, kinds, wanted):
        """A value of one of the types; true and false are no numbers."""
        if not isinstance(value, kinds) or (isinstance(value, bool) and bool not in _several(kinds)):
            raise self.wrong(where, wanted, value)
        return value

    def number(self, where, value, low=-math.inf, high=math.inf):
        """A finite number within limits."""
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise self.wrong(where, f"a number{_limits(low, high)}", value)
        if not math.isfinite(value):
            raise self.wrong(where, "a finite number", value)

    def file(self, where, value) -> None:
        """A file with its checksum."""
        self.need(where, value, dict, "'file' and 'sha256'")
        self.need(f"{where}: file", value.get("file"), str, "the name of a file")
        self.sha256(where, value.get("sha256"))

    def sha256(self, where, value) -> None:
        """A checksum, or none."""
        if value is not None and not (isinstance(value, str) and _SHA256.fullmatch(value)):
            raise self.wrong(f"{where}: sha256", "64 hexadecimal digits", value)

    def place(self, where, value) -> None:
        """Where the body was predicted."""
        self.need(where, value, dict, "'time', 'ra', 'dec' and 'trail'")
        self.known(where, value, {"time", "ra", "dec", "trail", "rate", "pa", "mag"})
        text = self.need(f"{where}: time", value.get("time"), str, "a time in quotes")
        try:
            parse_utc(text)
        except TimeError:
            raise self.wrong(f"{where}: time", "a UTC time", text) from None
        self.number(f"{where}: ra", value.get("ra"), -360, 360)
        self.number(f"{where}: dec", value.get("dec"), -90, 90)
        trail = self.need(f"{where}: trail", value.get("trail"), list, "a list of [ra, dec]")
        if not 1 <= len(trail) <= 10_000:
            raise self.wrong(f"{where}: trail", "1 to 10000 places", trail)
        for point in trail:
            if not isinstance(point, list) or len(point) != 2:
                raise self.wrong(f"{where}: trail", "a list of [ra, dec]", point)
            self.number(f"{where}: trail", point[0], -360, 360)
            self.number(f"{where}: trail", point[1], -90, 90)
        for name in ("rate", "pa", "mag"):
            if value.get(name) is not None:
                self.number(f"{where}: {name}", value[name], -1e9, 1e9)

    def lies(self, where, value) -> None:
        """How the frame lay on the reference."""
        self.need(where, value, dict, "'wcs' and what goes with it")
        self.known(where, value, _LIES)
        if missing := sorted(_LIES - set(value)):
            raise InputError(f"{self.path}: {where} lacks {missing[0]!r}")
        for name in ("n_stars", "shift_px"):
            self.number(f"{where}: {name}", value[name], 0, 1e9)
        for name in ("rms_px", "flux_ratio", "ratio_sigma"):
            if value.get(name) is not None:
                self.number(f"{where}: {name}", value[name], 0, 1e9)
        wcs = self.need(f"{where}: wcs", value.get("wcs"), dict, "'crpix' and 'cd' or 'pc'")
        self.numbers(f"{where}: wcs: crpix", wcs.get("crpix"), 2)
        for name in set(wcs) & {"cd", "pc"}:
            rows = self.need(f"{where}: wcs: {name}", wcs[name], list, "two rows of two numbers")
            if len(rows) != 2:
                raise self.wrong(f"{where}: wcs: {name}", "two rows of two numbers", rows)
            for row in rows:
                self.numbers(f"{where}: wcs: {name}", row, 2)

    def numbers(self, where, value, count) -> None:
        """A list of so many finite numbers."""
        self.need(where, value, list, f"{count} numbers")
        if len(value) != count:
            raise self.wrong(where, f"{count} numbers", value)
        for entry in value:
            self.number(where, entry, -1e9, 1e9)

    def known(self, where, value, names) -> None:
        """No key that nothing is made of."""
        for key in value:
            if key not in names:
                raise InputError(
                    f"{self.path}: {where}: {short(key)} is not known; known: {', '.join(sorted(names))}"
                )

    def all(self, kept: dict) -> None:
        """The whole recipe but its settings, which check themselves."""
        self.known("recipe", kept, _TOP)
        self.need("body", kept["body"], (str, int), "a number, name or designation")
        frames = self.need("frames", kept["frames"], dict, "file names with 'place'")
        if not 1 <= len(frames) <= MOST_FRAMES:
            raise self.wrong("frames", f"1 to {MOST_FRAMES} frames", len(frames))
        for name, entry in frames.items():
            where = f"frame {short(name)}"
            self.need(where, name, str, "the name of a file")
            self.need(where, entry, dict, "'sha256', 'keep' and 'place'")
            self.known(where, entry, {"sha256", "keep", "reason", "place", "lies"})
            self.sha256(where, entry.get("sha256"))
            self.need(f"{where}: keep", entry.get("keep", True), bool, "true or false")
            self.need(f"{where}: reason", entry.get("reason") or "", str, "text")
            self.place(f"{where}: place", entry.get("place"))
            if "lies" in entry:
                self.lies(f"{where}: lies", entry["lies"])
        self.need("settings", kept["settings"], dict, "'name: value' lines")
        for name in ("orbits", "masters", "results", "reading", "made_with"):
            self.need(name, kept.get(name) or {}, dict, "'name: value' lines")
        for role, entry in (kept.get("masters") or {}).items():
            self.known("masters", {role: entry}, {"bias", "dark", "flat"})
            self.file(f"masters: {role}", entry)
        if kept.get("stars") is not None:
            self.file("stars", kept["stars"])
        for entry in self.need("colour", kept.get("colour") or [], list, "a list of files"):
            self.file("colour", entry)
        self.reading(kept.get("reading") or {})
        also = self.need("also", kept.get("also") or [], list, "a list of words")
        for entry in also:
            self.need("also", entry, str, "a list of words")
        if kept.get("jpeg_px") is not None:
            self.need("jpeg_px", kept["jpeg_px"], int, "a whole number")
            self.number("jpeg_px", kept["jpeg_px"], 16, 20_000)

    def reading(self, reading: dict) -> None:
        """Options by which the frames were read."""
        self.known("reading", reading, set(_READING))
        for name, value in reading.items():
            self.need(f"reading: {name}", value, _READING[name], _type_words(_READING[name]))
            if name == "wcs_from":
                self.file("reading: wcs_from", value)


def _several(kinds) -> tuple:
    return kinds if isinstance(kinds, tuple) else (kinds,)


def _type_words(kinds) -> str:
    words = {int: "a whole number", float: "a number", str: "text", dict: "'file' and 'sha256'"}
    return " or ".join(words[kind] for kind in kinds)


def _limits(low, high) -> str:
    return "" if math.isinf(low) and math.isinf(high) else f" from {low:g} to {high:g}"

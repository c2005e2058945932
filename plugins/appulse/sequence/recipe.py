"""The recipe of a run: everything that shaped its pixels, in a YAML file that repeats it."""

from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path

import yaml

from appulse import __version__
from appulse.errors import InputError
from appulse.formats.output import write_text
from appulse.formats.provenance import file_sha256
from appulse.sequence.settings import Settings

PIXEL_PACKAGES = ("numpy", "scipy", "astropy", "reproject", "scikit-image", "pillow")
"""Packages whose version can change a pixel."""


def versions() -> dict:
    """Versions of the program and of the packages that pixels come of.

    Examples
    --------
    >>> versions()["appulse"] == __version__, "numpy" in versions()
    (True, True)
    """
    return {"appulse": __version__, **{name: version(name) for name in PIXEL_PACKAGES}}


@dataclass
class Recipe:
    """A run that can be repeated.

    Parameters
    ----------
    body : str
    frames : dict
        Path (as given, relative to the recipe where possible) to a dict of ``sha256, keep, reason, place``
        and ``lies``: the refined WCS and brightness.
    settings : Settings
    orbits : dict
        Source of the places, in words; the places themselves stand with the frames.
    stars : dict or None
        ``file`` and ``sha256`` of the star table.
    masters : dict
        Role to path and checksum.
    colour : list of dict
        ``file`` and ``sha256`` of the colour base.
    results : dict
        File name to SHA-256 of its pixels.
    reading : dict
        Options by which the frames were read.
    also : list of str
        Further products.
    jpeg_px : int, optional
    made_with : dict
        Versions of the program and of the packages that pixels come of.
    """

    body: str
    frames: dict
    settings: Settings
    orbits: dict
    stars: dict | None = None
    masters: dict | None = None
    colour: list | None = None
    results: dict | None = None
    reading: dict | None = None
    also: list | None = None
    jpeg_px: int | None = None
    made_with: dict = field(default_factory=versions)

    def write(self, path, overwrite=False):
        """Write it as YAML; returns the path."""
        kept = {
            "made_with": self.made_with,
            "body": self.body,
            "orbits": self.orbits,
            "stars": self.stars,
            "masters": self.masters or {},
            "colour": self.colour or [],
            "reading": self.reading or {},
            "settings": self.settings.plain(),
            "also": self.also or [],
            "jpeg_px": self.jpeg_px,
            "frames": self.frames,
            "results": self.results or {},
        }
        head = (
            "# Repeats this run to the same pixels: appulse sequence --recipe recipe.yaml --out FOLDER\n"
            "# keep: false leaves a frame out; place is where the body was predicted, ICRF degrees.\n"
        )
        text = yaml.safe_dump(kept, sort_keys=False, allow_unicode=True, width=110)
        return write_text(path, head + text, overwrite)

    @classmethod
    def read(cls, path) -> "Recipe":
        """Read a recipe.

        Raises
        ------
        InputError
            If it cannot be read or lacks something.
        """
        path = Path(path)
        try:
            kept = yaml.safe_load(path.read_text(encoding="utf-8"))
        except OSError as error:
            raise InputError(f"{path}: cannot be read ({error.strerror}); give a recipe.yaml") from None
        except (yaml.YAMLError, UnicodeDecodeError) as error:
            raise InputError(f"{path}: no YAML ({' '.join(str(error).split())})") from None
        if not isinstance(kept, dict) or not {"body", "frames", "settings"} <= set(kept):
            raise InputError(f"{path}: no recipe: 'body', 'frames' and 'settings' are needed")
        if not isinstance(kept["frames"], dict) or not kept["frames"]:
            raise InputError(f"{path}: 'frames' holds no frame")
        return cls(
            str(kept["body"]), kept["frames"], Settings.from_plain(kept["settings"]),
            kept.get("orbits") or {},
            kept.get("stars"), kept.get("masters") or {}, kept.get("colour") or [],
            kept.get("results") or {},
            kept.get("reading") or {}, kept.get("also") or [], kept.get("jpeg_px"),
            kept.get("made_with") or {},
        )  # fmt: skip

    def compared(self, results) -> list:
        """In words, whether a repeated run came to the same pixels.

        Parameters
        ----------
        results : dict
            File name to SHA-256 of its pixels, of the new run.

        Returns
        -------
        list of str

        Examples
        --------
        >>> recipe = Recipe("body", {}, Settings(), {}, results={"base.fits": "a", "tracked.fits": "b"})
        >>> recipe.compared({"base.fits": "a", "tracked.fits": "b"})
        ['the same pixels as the recipe: base.fits, tracked.fits']
        >>> recipe.compared({"base.fits": "a", "tracked.fits": "c"})
        ['the same pixels as the recipe: base.fits', 'other pixels than the recipe: tracked.fits']
        """
        names = [name for name in self.results or {} if name in results]
        same = [name for name in names if self.results[name] == results[name]]
        other = [name for name in names if name not in same]
        words = [f"the same pixels as the recipe: {', '.join(same)}"] if same else []
        if other:
            words.append(f"other pixels than the recipe: {', '.join(other)}{self._why_other()}")
        return words

    def _why_other(self):
        now = versions()
        changed = [
            f"{name} {then} then, {now.get(name, 'none')} now"
            for name, then in self.made_with.items()
            if now.get(name) != then
        ]
        return f" ({'; '.join(changed)})" if changed else ""


def checked_file(entry_path, sha256, folder) -> Path:
    """The file of a recipe, found from the recipe's folder, and its bytes the same as then.

    Raises
    ------
    InputError
        If it is not there, or has changed.
    """
    path = Path(entry_path)
    path = path if path.is_absolute() else Path(folder) / path
    if not path.exists():
        raise InputError(
            f"{path}: named in the recipe, but not there; put it back, or run without the recipe"
        )
    if sha256 and file_sha256(path) != sha256:
        raise InputError(
            f"{path}: its bytes are not those of the recipe, so the same pixels cannot come of it; run "
            "without the recipe for a new one"
        )
    return path

"""What the user may choose."""

from dataclasses import asdict, dataclass, fields

from appulse.errors import InputError
from appulse.sequence.animate import PATHS
from appulse.sequence.grid import EXTENTS
from appulse.sequence.resample import KEEPS

CHOICES = {
    "extent": EXTENTS,
    "keep": KEEPS,
    "weights": ("noise", "equal"),
    "dots": ("all", "line", "none"),
    "animation": ("stars", "body"),
    "animation_path": PATHS,
    "animation_of": ("clean", "frames"),
}


@dataclass(frozen=True)
class Settings:
    """What the user may choose; every default gives a clean picture.

    Parameters
    ----------
    extent : {'common', 'all'}
        Sky that all frames cover, or any.
    keep : {'surface', 'flux'}
        Surface brightness or sums kept when pixels are resampled.
    weights : {'noise', 'equal'}
    north_up : bool
    scale_arcsec : float, optional
        Of the grid; the reference frame's when left out.
    reference : str, optional
        Name of the frame that sets grid and brightness; the sharpest deep one when left out.
    clip_low, clip_high : float
        Sigmas of the stacks' rejection.
    mend_hot : bool
    reject_clouds : bool
        Leave clouded, blurred and unalignable frames out by themselves.
    dots : {'all', 'line', 'none'}
        The body of every frame apart, of all frames as a line as far as the frames allow, or not at all.
    cadence_h : float
        Least time between dots, hours.
    brightness, saturation : float
    view_arcmin : float, optional
        Width of the picture around the middle of the body's path; everything when left out.
    animation : {'stars', 'body'}
        What stands still.
    animation_path : {'loop', 'bounce'}
    animation_of : {'clean', 'frames'}
        The base with the body of each time, or the frames themselves.
    growing : bool
        Earlier dots stay.
    stamp : bool
        Time in the corner.
    fps : float
    step_h : float, optional
    longest_px : int
        Of the animation's longer side.
    marks : tuple of str
        Out of times, ring, scale, compass, outlines; none for a clean picture.
    bin : int
        Pixels taken together on reading; more than 1 for a preview.
    """

    extent: str = "common"
    keep: str = "surface"
    weights: str = "noise"
    north_up: bool = False
    scale_arcsec: float | None = None
    reference: str | None = None
    clip_low: float = 4.0
    clip_high: float = 3.0
    mend_hot: bool = True
    reject_clouds: bool = True
    dots: str = "all"
    cadence_h: float = 0.0
    brightness: float = 1.0
    saturation: float = 1.0
    view_arcmin: float | None = None
    animation: str = "stars"
    animation_path: str = "loop"
    animation_of: str = "clean"
    growing: bool = True
    stamp: bool = True
    fps: float = 2.0
    step_h: float | None = None
    longest_px: int = 900
    marks: tuple = ()
    bin: int = 1

    def __post_init__(self):
        for name, allowed in CHOICES.items():
            if getattr(self, name) not in allowed:
                raise InputError(f"{name} {getattr(self, name)!r}: {', '.join(allowed)} are allowed")
        for name in ("clip_low", "clip_high", "brightness", "fps"):
            if not 0 < getattr(self, name) < 1000:
                raise InputError(f"{name} {getattr(self, name)}: a number above 0 is needed")
        if not 1 <= self.bin <= 64:
            raise InputError(f"bin {self.bin}: 1 to 64 is allowed")
        object.__setattr__(self, "marks", tuple(self.marks))

    def plain(self) -> dict:
        """As a recipe keeps it."""
        kept = asdict(self)
        kept["marks"] = list(self.marks)
        return kept

    @classmethod
    def from_plain(cls, kept) -> "Settings":
        """Back from a recipe.

        Raises
        ------
        InputError
            For an unknown name or value.

        Examples
        --------
        >>> Settings.from_plain(Settings(fps=4.0).plain()).fps
        4.0
        """
        known = {one.name for one in fields(cls)}
        if unknown := sorted(set(kept) - known):
            raise InputError(
                f"recipe: {unknown[0]!r} is not known among the settings; known: {sorted(known)}"
            )
        return cls(**kept)

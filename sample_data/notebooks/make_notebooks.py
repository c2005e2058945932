"""Write the tutorial notebooks: their words and code stand here, what they show comes from running them.

Run it in this folder after a change: ``python make_notebooks.py [NAME ...]``. It needs the extras jupyter and
test.
"""

import sys
from pathlib import Path

import nbformat
from nbclient import NotebookClient

HERE = Path(__file__).resolve().parent

NIGHT = r"""
# A night, measured from Python

Six frames show (7) Iris in front of the nebula IC 4603. They are invented, but the motion is true, and two
faults were put in: the camera's clock is late, and the plate solution is shifted. We find both.

`import appulse` brings all that is needed: `dir(appulse)` lists the names, and
`help(appulse.measure_night)` says what each one takes.
---
from pathlib import Path

import appulse

sample = Path("..")  # the folder sample_data of the repository
frames = sorted(sample.glob("iris_*.fits.fz"))
frame = appulse.read_frame(frames[0])
print(f"{frame.name}: {frame.shape[1]} x {frame.shape[0]} pixels of {frame.pixel_scale:.2f} arcsec")
print("middle of the exposure:", frame.exposure.mid.isot, "UTC")
---
Where should Iris be? The orbit that belongs to this night predicts its place for the middle of each
exposure, as seen from the telescope; the stars of the table tell how far the plate solution is off. Then
the body is measured in every frame.
---
bodies = appulse.open_bodies("7", orbits=sample / "orbit.ecsv")
stars = appulse.open_stars(sample / "stars.ecsv")
night = appulse.measure_night(frames, bodies, stars)
for residual in night.residuals:
    east, north = residual.dra_cosdec, residual.ddec
    print(f"{residual.frame}   O-C {east:+.3f} east, {north:+.3f} north (arcsec), as measured")
---
*O−C* is observed minus calculated. These numbers are by the frame's own plate solution, so its shift is in
them. The stars say how large that shift is, and it can be taken off:
---
first = night.residuals[0]
print("plate offset:       ", first.plate_offset.round(3), "arcsec (east, north)")
print("plate-corrected O-C:", first.corrected.round(3), "arcsec (east, north)")
---
Now the whole night at once. A late clock moves the body along its path, by the same number of seconds in
every frame. The verdict looks for such a pattern, and says how sure it is.
---
print(night.verdict.sentence)
---
The right answers are in `answers.yaml`: the clock is 95 s late. A plot shows the same: plate-corrected,
what is left lies along the motion, and nothing across it.
---
%matplotlib inline
import matplotlib.pyplot as plt
import numpy as np

hours = [(residual.mid - first.mid).to_value("h") for residual in night.residuals]
left = np.array([residual.corrected for residual in night.residuals])
pa = np.radians([residual.row()["motion_pa"] for residual in night.residuals])
along = left[:, 0] * np.sin(pa) + left[:, 1] * np.cos(pa)
across = left[:, 0] * np.cos(pa) - left[:, 1] * np.sin(pa)
sigma_along, sigma_across = np.array([residual.sigma_motion for residual in night.residuals]).T
plt.errorbar(hours, along, sigma_along, fmt="o", label="along the motion")
plt.errorbar(hours, across, sigma_across, fmt="s", label="across it")
plt.axhline(0, color="0.6", lw=1)
plt.xlabel("hours after the first frame")
plt.ylabel("O−C, plate-corrected (arcsec)")
plt.legend();
---
To see the frames with track and outlines, and to measure by a click, install the extra `jupyter` and go on
with `from glue_appulse.jupyter import view`; the guide's page *glue-tour* says how.
"""

PASSES = r"""
# Passes to come, and a plan for one of them

Which minor planets pass a nebula, a cluster or a galaxy next spring, how closely, and can it be seen from
here?
---
from pathlib import Path

import appulse

passes = appulse.find_passes("2027-04-20", "2027-05-20", ["3", "4", "7", "15"], within_arcmin=15)
passes["encounter", "name", "target", "type", "time", "mag"].pprint(max_width=110, max_lines=15)
---
A row is one pass: who passes what, when the two are closest, and how bright the body is. `separation` is
the least distance from the object's centre; where the catalogue knows the outline, `inside_outline` says
whether the body goes through it.
---
iris = passes[[name.startswith("7-IC4603") for name in passes["encounter"]]]
for row in iris:
    arcmin = row["separation"] / 60
    print(f"{row['name']} passes {row['target']} at {arcmin:.1f} arcmin, {row['time'][:16]} UTC")
    print("inside the outline:", row["inside_outline"])
---
The path, drawn with the outline of the nebula: the places of these days as an observatory sees them. The
dots are a day apart.
---
%matplotlib inline
import matplotlib.pyplot as plt
import numpy as np
from astropy import units as u
from astropy.time import Time

times = Time("2027-05-03") + np.linspace(0, 4, 33) * u.day
path = appulse.open_bodies("7").ephemeris.at(times, appulse.Site.parse("20.5,-23,1250"), bodies=["7"])
nebula = appulse.find_object("IC 4603")
fig, ax = plt.subplots(figsize=(6, 4.5))
for ring in nebula.rings:
    ax.plot(*np.asarray(ring).T, color="tab:blue")
ra, dec = np.asarray(path["ra"]), np.asarray(path["dec"])
ax.plot(ra, dec, color="tab:orange")
ax.plot(ra[::8], dec[::8], "o", color="tab:orange", ms=4)
for time, x, y in zip(times[::8], ra[::8], dec[::8], strict=True):
    ax.annotate(f"May {time.datetime.day}", (x, y), xytext=(4, 6), textcoords="offset points")
ax.set(xlim=(247.1, 245.6), ylim=(-24.9, -24.0))
ax.set(xlabel="RA (degrees, east to the left)", ylabel="Dec (degrees)")
ax.set_aspect(1 / np.cos(np.radians(24.45)))
ax.set_title("(7) Iris and IC 4603, May 3 to 7");
---
A campaign file says from where and with what pictures are taken. With it, a pass becomes a plan: the night,
the hours, exposures short enough that the body stays a dot, and the odds.
---
planned = appulse.plan_capture(Path("..") / "campaign.yaml", "7-IC4603-20270504", site="hosted")
plan = planned.plan
print("evening of", plan.night.evening, "at", plan.night.site.name)
print(f"from {plan.begin.isot[:16]} to {plan.end.isot[:16]} UTC")
print(f"{plan.count} exposures of {plan.exposure_s:.0f} s with the {plan.instrument.name}")
for words in plan.warnings:
    print("note:", words)
---
At the command line: `appulse plan ../campaign.yaml --encounter 7-IC4603-20270504 --out plan` writes the
same as a sheet to print, with a chart and a calendar entry.
"""

VERDICT = r"""
# What the verdict means

Is the dot where it should be? If not, is it the clock, the plate solution, or the orbit? Here we make a
night, put a fault in, and see how the verdict finds it. The frames of the bundled example have no fault:
---
import appulse

bodies = appulse.open_bodies("7")
frames = [appulse.example_frame(number) for number in (1, 2, 3, 4)]
night = appulse.measure_night(frames, bodies)
print(night.verdict.cause)
print(night.verdict.sentence)
---
**A late clock.** The same frames, their times recorded 60 s early: Iris seems to run ahead of its
prediction, by as many seconds in every frame, along its motion.
---
from dataclasses import replace

from astropy import units as u

from appulse.frames import Exposure


def with_clock(frame, seconds):
    # the same frame, its recorded time wrong by so much
    exposure = Exposure.from_mid(frame.exposure.mid - seconds * u.s, frame.exposure.seconds)
    return replace(frame, exposure=exposure)


late = appulse.measure_night([with_clock(frame, 60) for frame in frames], bodies)
print(late.verdict.sentence)
---
The verdict weighs every explanation against all frames. *chi2* says how badly it fits; *bic* counts besides
what it needs to be told, so that the simplest one wins. Small is good.
---
late.verdict.alternatives
---
*Clock* and *orbit* fit equally well, and the verdict says so: from one body alone, a clock that is late by
so many seconds looks like an orbit that is off along the track. In every frame the body lies about as far
along its motion, and nothing across it:
---
for residual in late.residuals:
    print(f"{residual.frame}: along {residual.along:+.2f}, across {residual.across:+.2f} arcsec,"
          f" sigma {residual.sigma_motion[0]:.2f}")
rate = late.residuals[0].row()["rate"] / 3600
print(f"Iris moves {rate:.4f} arcsec a second: 60 s are {60 * rate:.2f} arcsec")
---
What else is known decides. Was the clock set by the network, and good to a tenth of a second? Then it did
not drift off by a minute; but its times may mean another end of the exposure than is thought, and the verdict
asks whether they do: what was put in here is just one exposure. Was it set by hand, and may be off by a
minute? Then the frames tell no more than the clock does, and all is well within its error:
---
for clock_sigma_s in (0.1, 60):
    verdict = appulse.judge(late.residuals, clock_sigma_s=clock_sigma_s)
    print(f"clock known to {clock_sigma_s} s:", verdict.sentence)
---
**A short night says less.** In a single frame of this small telescope, the fault is hardly larger than the
error, and one frame can never show a wrong rate. The verdict says so instead of guessing.
---
alone = appulse.measure_night([with_clock(frames[0], 60)], bodies)
print(alone.verdict.sentence)
---
The guide's page *second-thoughts* goes on: what else moves in the frames, other people's observations, and
a better orbit.
"""

PICTURES = r"""
# A picture of the night

The frames of a night as one picture: the stars sharp, the body once for every frame, and nothing painted
in. Six frames take some seconds.
---
import tempfile
from pathlib import Path

import appulse

sample, folder = Path(".."), Path(tempfile.mkdtemp())
frames = sorted(sample.glob("iris_*.fits.fz"))
made = appulse.stack(
    frames, "7", folder / "picture", orbits=sample / "orbit.ecsv", stars=sample / "stars.ecsv",
    view_arcmin=50, marks=("scale", "compass"),
)
for path in sorted(made.written):
    print(path.name)
---
`base.fits` is the night stacked on the stars, the body taken out; `tracked.fits` is stacked on the body;
the composite is the first with the body of every frame.
---
from IPython.display import Image

Image(filename=str(folder / "picture" / "composite.png"), width=640)
---
The stacks are solved frames: they keep time and plate solution, and can be measured like any other.
---
for path in sorted(made.written):
    if path.suffix == ".fits":
        frame = appulse.read_frame(path, require=("wcs",))
        print(path.name, frame.shape, f"{frame.pixel_scale:.2f} arcsec per pixel")
for words in made.notes:
    print("note:", words)
---
A caption whose figures are computed: `appulse facts night/*.fits --body 7 --object "IC 4603" --out words`
at the command line. What the settings of `stack` are called, `help(appulse.sequence.PictureSettings)` says.
"""

PAGES = {"night": NIGHT, "passes": PASSES, "verdict": VERDICT, "pictures": PICTURES}


def notebook(text):
    """A notebook of a page: words and code take turns."""
    cells = []
    for i, part in enumerate(text.strip().split("\n---\n")):
        make = nbformat.v4.new_code_cell if i % 2 else nbformat.v4.new_markdown_cell
        cells.append(make(part.strip(), id=f"cell-{i}"))
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    return nbformat.v4.new_notebook(cells=cells, metadata={"kernelspec": kernel})


def run(book, timeout=120):
    """Run a notebook in this folder; its cells then hold what they showed."""
    client = NotebookClient(
        book, timeout=timeout, kernel_name="python3", record_timing=False,
        resources={"metadata": {"path": str(HERE)}},
    )  # fmt: skip
    client.execute()
    book.metadata.pop("language_info", None)
    return book


if __name__ == "__main__":
    for name, text in PAGES.items():
        if not sys.argv[1:] or name in sys.argv[1:]:
            nbformat.write(run(notebook(text)), HERE / f"{name}.ipynb")

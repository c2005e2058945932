"""Tails of comets as glue data sets: the vertices of all lines, by right ascension and declination."""

import numpy as np
from astropy.time import Time

from appulse.workflows import BodySource
from glue_appulse.data.kinds import KIND_KEY, TAILS, to_json
from glue_appulse.data.solved_frames import frame_of
from glue_appulse.data.track_data import by_observer, usable
from glue_appulse.layers.tail_layer import TAIL_KEY


def tail_data(found):
    """The data set of a tail, as :func:`appulse.workflows.tail_at` finds it."""
    from glue.core import Component, Data

    tail = found.tail
    data = Data(label=f"tail of {tail.label}")
    count = [len(curve.ra) for curve in tail.curves]
    columns = [
        ("RA", np.concatenate([curve.ra for curve in tail.curves]), "deg"),
        ("Dec", np.concatenate([curve.dec for curve in tail.curves]), "deg"),
        ("along", np.concatenate([curve.along for curve in tail.curves]), ""),
    ]
    for label, values, unit in columns:
        data.add_component(Component(np.asarray(values, float), units=unit), label)
    data.add_component(np.repeat([f"{curve.kind} {curve.label}" for curve in tail.curves], count), "line")
    curves = [[curve.kind, curve.label, number] for curve, number in zip(tail.curves, count, strict=True)]
    ticks = [[tick.ra, tick.dec, tick.label, tick.unit] for tick in tail.ticks]
    data.meta.update({
        KIND_KEY: TAILS, "comet": tail.label, "time": tail.time.utc.isot, "length": tail.length_source,
        TAIL_KEY: to_json({"curves": curves, "ticks": ticks}),
    })  # fmt: skip
    data.style.color, data.style.alpha = "#f2f2f2", 1.0
    return data


def make_tails(source: BodySource, frames: list, keys: list[str], progress=None) -> tuple[list, list[str]]:
    """Tails of the comets among some bodies, at the middle of the frames; one per comet and observer."""
    from appulse.bodies import is_comet
    from appulse.errors import AppulseError
    from appulse.workflows import tail_at

    good, lines = usable(frames)
    groups, tails = by_observer(good), []
    comets = [key for key in keys if is_comet(key)]
    for i, key in enumerate(comets):
        for group in groups:
            if progress is not None:
                progress(i, len(comets))
            mids = [frame_of(data).exposure.mid.utc.mjd for data in group]
            time = Time((min(mids) + max(mids)) / 2.0, format="mjd", scale="utc")
            try:
                found = tail_at(time, frame_of(group[0]).observer, of_one(source, key))
            except AppulseError as error:
                lines.append(str(error))
                continue
            data = tail_data(found)
            if len(groups) > 1:
                data.label += f" from {frame_of(group[0]).observer.name}"
            tails.append(data)
            lines += [f"{data.label}: {words}" for words in found.notes]
    return tails, lines


def of_one(source: BodySource, key: str) -> BodySource:
    """A source of one body, with that body's orbit."""
    from dataclasses import replace

    one = source.of(key)
    if source.catalogue is None:
        return one
    return replace(one, orbits=(source.catalogue.select(key),))

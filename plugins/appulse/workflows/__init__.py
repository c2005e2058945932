"""What a user does, without a screen: the layer that the command line, the viewer and notebooks call.

Nothing here prints or knows of options. Long work takes ``progress(words, done, total)`` (before the first
step with `done` 0, then after each) and ``cancelled()`` (asked before each step; what is done is kept).
Results are frozen; what was noted on the way stands in their ``notes``.

Measuring::

    bodies = open_bodies("7")                  # also orbits="mine.ecsv", or positions="places.csv"
    stars = open_stars("gaia.ecsv")            # or open_stars(): the bundled ones
    night = measure_night(paths, bodies, stars, min_snr=5, progress=..., cancelled=..., each=...)
    night.residuals, night.identities, night.verdict, night.failed
    night = measure_to_folder(paths, bodies, stars, NightOutputs(Path("out"), frozenset({"psv"})))

One frame, one body at a time, as a viewer does it::

    source = open_bodies_of_file(path_or_None) # orbits or positions, whichever the file holds; opened once
    key = source.find("Iris")                  # what the ephemeris calls it; source.label_of(key) for people
    around = surroundings_of(source)           # for the identity check; made once
    measured = measure_frame(frame, source.of(key), stars, plate=known_plate, surroundings=around,
                             min_snr=None, search_arcsec=None, free_trail=False, radius_px=None,
                             at_pixel=None)
    measured.residuals[0], measured.identities[0], measured.plate, measured.notes

    save_night(MeasuredNight((measured, ...)), NightOutputs(out, kinds, ades), night_provenance(...))
    options, notes = observation_options(table, {frame.name: frame.observer}, AdesChoice())   # from space too
    written, notes = write_observations({"psv"}, table, frames, AdesChoice(), folder, overwrite)

Other work: ``compare_observations`` and ``improve_by_places`` (no frames needed), ``find_movers``,
``tail_at``, ``tails_of_frames`` and ``measure_brightness`` (comets), ``find_passes`` and ``search_passes``,
``plan_capture`` and ``save_plan``, ``gather_facts``; ``stack``, ``plan_pictures`` and ``repeat_recipe``,
whose ``job`` goes to ``appulse.sequence.run``.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "captioning": ["GivenFigures", "PassFacts", "frames_of_recipe", "gather_facts"],
        "capture_plans": ["FILES", "PlannedCapture", "plan_capture", "save_plan"],
        "comet_brightness": ["BrightnessRun", "MeasuredBrightness", "measure_brightness"],
        "comet_tails": ["FrameTail", "TailOptions", "comet_only", "tail_at", "tails_of_frames"],
        "comparing": [
            "ComparedObservations", "ImprovedOrbit", "MeasuredPlaces", "compare_observations",
            "improve_by_places", "read_places", "save_comparison",
        ],
        "example": ["example_frame", "example_night"],
        "export": [
            "AdesChoice", "EXTRAS", "NightOutputs", "SHEET_FILES", "SavedNight", "from_the_earth",
            "in_space", "measure_to_folder", "night_provenance", "observation_options", "save_night",
            "write_observation_file", "write_observations",
        ],
        "first_orbits": [
            "FIRST_ORBIT_FILES", "FoundOrbit", "NightCloud", "find_first_orbit", "save_first_orbit",
        ],
        "frame_listing": ["ListedFrame", "list_frames"],
        "judging": ["doubts", "is_noteworthy", "judgement", "questions", "suspicions", "unmeasured",
                    "write_judgement"],
        "measuring": ["MeasuredFrame", "MeasuredNight", "measure_frame", "measure_night"],
        "moving_objects": ["FoundMovers", "MoverLimits", "find_movers"],
        "pair_pictures": ["RegisteredPair", "register_pair"],
        "pass_search": [
            "FoundPasses", "SMALL_TELESCOPE_MAG", "bodies_of", "check_dates", "find_passes", "map_pass",
            "search_passes", "shown_places", "targets_of",
        ],
        "picture_making": [
            "PictureFiles", "PictureOutputs", "PictureRun", "plan_pictures", "colour_frames",
            "repeat_recipe", "stack",
        ],
        "plans_together": ["PlannedTogether", "plan_together"],
        "progress": ["Stage", "counted", "grouped_notes", "show_progress"],
        "sources": [
            "BodySource", "FailedFrame", "StarSource", "Surroundings", "frame_by_frame",
            "is_positions_table", "load_orbits", "open_bodies", "open_bodies_of_file", "open_stars",
            "split_names", "surroundings_of",
        ],
        "together": [
            "NightOfSite", "TOGETHER_FILES", "TogetherFit", "night_for_others",
            "put_together", "read_night", "read_nights",
            "save_together",
        ],
        "workers": ["WorkerCrash", "Workers", "processors"],
    },
)

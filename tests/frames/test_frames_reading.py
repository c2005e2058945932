"""Files: every kind that is read, every kind that is refused with its own sentence, and real frames."""

import gc
import gzip
import hashlib
import os
import pickle
import tracemalloc

import numpy as np
import pytest
from astropy.io import fits
from astropy.time import Time

from appulse.errors import FrameError, FrameSiteError, FrameTimeError, FrameWCSError
from appulse.frames.exposure import Exposure
from appulse.frames.frame import SolvedFrame
from appulse.frames.reading import read_frame
from appulse.observers.site import SpacecraftVector

NY, NX = 60, 80
WCS_CARDS = {
    "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 246.42, "CRVAL2": -24.16, "CRPIX1": 40.5,
    "CRPIX2": 30.5, "CD1_1": -0.001, "CD1_2": 0.0, "CD2_1": 0.0, "CD2_2": 0.001,
}  # fmt: skip
OTHER_CARDS = {
    "DATE-BEG": "2027-05-04T22:35:30", "EXPTIME": 60.0, "OBSGEO-L": 20.5, "OBSGEO-B": -23.0,
    "OBSGEO-H": 1250.0,
}  # fmt: skip
RAMP = np.arange(NY * NX, dtype=np.float32).reshape(NY, NX)


def header(**changes):
    cards = WCS_CARDS | OTHER_CARDS | changes
    return fits.Header({key: value for key, value in cards.items() if value is not None})


@pytest.fixture
def write(tmp_path):
    def write(data=RAMP, cards=None, name="m1.fits", **options):
        path = tmp_path / name
        fits.writeto(path, data, header() if cards is None else cards, **options)
        return path

    return write


# --- what is read


@pytest.mark.parametrize("name", ["m1.fits", "m1.fits.gz", "m1.fits.fz"])
@pytest.mark.parametrize(("unit", "power"), [(1e-18, -18), (1e-36, -36), (1e25, 25), (1e-3, 0)])
def test_physical_units_are_brought_near_one(tmp_path, unit, power, name):
    path, noise = tmp_path / name, np.random.default_rng(2).normal(500.0, 30.0, (NY, NX))
    own = header(BUNIT="erg/s", EGAIN=2.0, SATURATE=60000.0 * unit)
    hdus = [fits.PrimaryHDU((noise * unit).astype("f4"), own)]
    if name.endswith("fz"):
        lossless = {"compression_type": "GZIP_1", "quantize_level": 0}
        hdus = [fits.PrimaryHDU(), fits.CompImageHDU(hdus[0].data, own, **lossless)]
    fits.HDUList(hdus).writeto(path)
    frame = read_frame(path)
    np.testing.assert_allclose(frame.data, noise * unit / 10.0**power, rtol=1e-6)
    assert float(frame.camera.saturation_adu) == pytest.approx(60000.0 * unit / 10.0**power)
    assert frame.bunit == ("erg/s" if power == 0 else f"10**({power}) erg/s")
    assert any("units of" in note for note in frame.notes) == (power != 0)


def test_a_gain_that_the_pixels_contradict_is_not_used(write):
    noise = np.random.default_rng(2).normal(500.0, 30.0, (NY, NX))
    assert float(read_frame(write(noise, header(EGAIN=1.5))).camera.gain_e_adu) == 1.5
    frame = read_frame(write((noise / 65535).astype("f4"), header(EGAIN=1.5), "scaled.fits"))
    assert frame.camera.gain_e_adu is None
    assert any("EGAIN" in note and "rescaled" in note for note in frame.notes)


@pytest.mark.parametrize("dtype", ["uint8", "int16", "uint16", "int32", "float32", "float64", ">f4"])
@pytest.mark.parametrize("name", ["m1.fits", "m1.fits.gz"])
def test_pixels_are_native_float32(write, dtype, name):
    data = (RAMP % 200).astype(dtype)
    frame = read_frame(write(data, name=name))
    assert frame.data.dtype == np.dtype("=f4")
    assert frame.data.dtype.isnative
    np.testing.assert_array_equal(frame.data, RAMP % 200)
    assert frame.shape == (NY, NX)
    assert frame.colour is None
    assert frame.notes == ()


def test_tile_compressed(tmp_path):
    path = tmp_path / "m1.fits.fz"
    image = fits.CompImageHDU(RAMP.astype(np.int32), header(), compression_type="RICE_1")
    fits.HDUList([fits.PrimaryHDU(), image]).writeto(path)
    frame = read_frame(path)
    assert (frame.hdu, frame.exposure.mid.isot) == (1, "2027-05-04T22:36:00.000")
    np.testing.assert_array_equal(frame.data, RAMP)


@pytest.mark.parametrize(("bzero", "bscale"), [(0, 2.0), (32768, 1.0), (0, 1.0)])
def test_blank_is_nan(tmp_path, bzero, bscale):
    # Written card by card: astropy would scale and drop BLANK on its own.
    path = tmp_path / "m1.fits"
    structure = [("SIMPLE", True), ("BITPIX", 16), ("NAXIS", 2), ("NAXIS1", NX), ("NAXIS2", NY)]
    cards = header(BLANK=7, BZERO=bzero, BSCALE=bscale)
    raw = (RAMP % 100).astype(">i2").tobytes()
    text = fits.Header([*structure, *((card.keyword, card.value) for card in cards.cards)]).tostring()
    path.write_bytes(text.encode() + raw + bytes(-len(raw) % 2880))
    data = read_frame(path).data
    assert np.isnan(data[0, 7])
    assert data[0, 8] == bzero + bscale * 8
    assert np.isnan(data).sum() == np.sum(RAMP % 100 == 7)


def test_pixels_are_lazy_and_released(write, monkeypatch):
    path = write()
    frame = read_frame(path)
    assert "_planes" not in vars(frame)
    first = frame.data
    assert frame.data is first
    frame.release()
    assert "_planes" not in vars(frame)
    np.testing.assert_array_equal(frame.data, first)


@pytest.mark.parametrize("dtype", ["uint16", "int16", "float32"])
def test_a_frame_is_in_memory_once_and_free_when_released(write, dtype):
    path = write(np.ones((NY * 10, NX * 10), dtype))
    frame = read_frame(path)
    size = 4 * NY * NX * 100
    gc.collect()
    gc.disable()
    tracemalloc.start()
    try:
        for _ in range(3):
            assert frame.data.flags.writeable
            frame.release()
        kept, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
        gc.enable()
    assert kept < 0.2 * size
    assert peak < 1.6 * size


def test_file_is_left_alone_and_closed(write):
    path = write()
    before = path.read_bytes()
    frame = read_frame(path)
    assert frame.data is not None
    assert frame.checksum == hashlib.sha256(before).hexdigest()
    path.rename(path.with_name("moved.fits"))
    assert path.with_name("moved.fits").read_bytes() == before


def test_frame_can_be_sent_to_another_process(write):
    frame = pickle.loads(pickle.dumps(read_frame(write())))  # noqa: S301 (own bytes)
    np.testing.assert_array_equal(frame.data, RAMP)
    assert frame.to_pixel(246.42, -24.16)[0] == pytest.approx(39.5)


@pytest.mark.parametrize("interleaved", [False, True])
def test_colour(write, interleaved):
    planes = np.stack([RAMP, 2 * RAMP, 6 * RAMP])
    frame = read_frame(write(np.moveaxis(planes, 0, -1) if interleaved else planes))
    assert frame.shape == (NY, NX)
    np.testing.assert_array_equal(frame.colour, planes)
    np.testing.assert_allclose(frame.data, 3 * RAMP, rtol=1e-6)
    assert any(("first axis" if interleaved else "last axis") in note for note in frame.notes)


def test_single_plane_cube(write):
    assert read_frame(write(RAMP[None])).data.shape == (NY, NX)


def test_mosaic_keeps_its_pixels_and_says_so(write):
    noise = np.random.default_rng(3).normal(0, 5, (NY, NX)).astype(np.float32)
    pattern = np.tile(np.array([[300.0, 500.0], [500.0, 200.0]]), (NY // 2, NX // 2))
    frame = read_frame(write((pattern + noise).astype(np.float32), header(BAYERPAT="RGGB")))
    assert frame.mosaic == "RGGB"
    assert any("RGGB" in note for note in frame.notes)
    # one constant a place of the pattern: the noise is untouched, the levels are one
    assert np.std(frame.data) == pytest.approx(np.std(noise), rel=0.02)
    shift = frame.data - pattern - noise
    assert np.ptp(shift[::2, ::2]) < 1e-3
    assert shift.min() > -1.0


def test_first_image_with_a_wcs(tmp_path):
    path = tmp_path / "m1.fits"
    images = [fits.ImageHDU(RAMP, name="RAW"), fits.ImageHDU(2 * RAMP, fits.Header(WCS_CARDS), name="SOLVED")]
    fits.HDUList([fits.PrimaryHDU(header=fits.Header(OTHER_CARDS)), *images]).writeto(path)
    frame = read_frame(path)
    assert frame.hdu == 2
    assert frame.data[0, 1] == 2.0
    assert frame.exposure.mid.isot == "2027-05-04T22:36:00.000"
    assert any("primary header" in note for note in frame.notes)
    assert read_frame(path, hdu="solved").hdu == 2
    with pytest.raises(FrameWCSError, match=r"m1\.fits: no celestial WCS"):
        read_frame(path, hdu=1)
    for wrong in (7, "NOPE"):
        with pytest.raises(FrameError, match=r"no HDU .*SOLVED"):
            read_frame(path, hdu=wrong)
    with pytest.raises(FrameError, match="not an image"):
        read_frame(path, hdu=0)


@pytest.mark.parametrize("kind", ["fits", "text"])
def test_wcs_from_a_side_file(write, tmp_path, kind):
    path = write(cards=fits.Header(OTHER_CARDS))
    side = tmp_path / "m1.wcs"
    cards = fits.Header(WCS_CARDS | {"IMAGEW": NX, "IMAGEH": NY})
    if kind == "fits":
        fits.PrimaryHDU(header=cards).writeto(side)
    else:
        side.write_text(cards.tostring(sep="\n", endcard=True, padding=False) + "\n")
    frame = read_frame(path, wcs_from=side)
    assert frame.centre == pytest.approx((246.42, -24.16))
    assert "WCS from m1.wcs" in frame.notes
    with pytest.raises(FrameWCSError, match="no celestial WCS"):
        read_frame(path)


def test_wcs_of_another_image_is_refused(write, tmp_path):
    side = tmp_path / "big.wcs"
    fits.PrimaryHDU(header=fits.Header(WCS_CARDS | {"IMAGEW": 4096, "IMAGEH": 4096})).writeto(side)
    with pytest.raises(FrameWCSError, match=r"m1\.fits: big\.wcs: .*4096 x 4096 .*80 x 60"):
        read_frame(write(), wcs_from=side)


def test_side_file_that_is_none(write, tmp_path):
    side = tmp_path / "letter.txt"
    side.write_text("Dear friend, the stars were out.\n")
    with pytest.raises(FrameError, match=r"letter\.txt"):
        read_frame(write(), wcs_from=side)
    with pytest.raises(FrameError, match=r"absent\.wcs"):
        read_frame(write(name="m2.fits"), wcs_from=tmp_path / "absent.wcs")


def test_table_of_exposures(tmp_path):
    path = tmp_path / "m1.fits"
    clocks = {"START": ("22:00:00", "22:09:00"), "END": ("22:01:00", "22:12:00")}
    columns = [
        fits.Column(name=name, format="23A", array=[f"2027-05-04T{clock}.000" for clock in both])
        for name, both in clocks.items()
    ]
    table = fits.BinTableHDU.from_columns(columns, name="EXPOSURES")
    cards = header(**{"DATE-BEG": "2027-05-04T22:00:00", "EXPTIME": 240.0})
    fits.HDUList([fits.PrimaryHDU(RAMP, cards), table]).writeto(path)
    exposure = read_frame(path).exposure
    assert (exposure.n_sub, exposure.mid.isot) == (2, "2027-05-04T22:08:00.000")
    given = read_frame(path, time="2027-05-04T23:00:00", time_is="start", exposure_s=60.0)
    assert given.exposure.mid.isot == "2027-05-04T23:00:30.000"


# --- what a frame need not have


def test_time_and_site_may_be_waived(write):
    path = write(cards=fits.Header(WCS_CARDS))
    with pytest.raises(FrameTimeError, match=r"m1\.fits: .*--time"):
        read_frame(path)
    with pytest.raises(FrameSiteError, match=r"m1\.fits: .*--site"):
        read_frame(path, require=("wcs", "site"))
    frame = read_frame(path, require=("wcs",))
    assert (frame.exposure, frame.observer) == (None, None)
    assert [note[:8] for note in frame.notes] == ["no time:", "no site:"]
    with pytest.raises(FrameError, match="require"):
        read_frame(path, require=("colour",))


def test_given_time_is_never_waived(write):
    with pytest.raises(FrameTimeError, match="--time"):
        read_frame(write(), require=("wcs",), time="yesterday noon")


def test_daylight_is_told(write):
    frame = read_frame(write(cards=header(**{"DATE-BEG": "2027-05-04T12:00:00"})))
    assert any("Sun" in note for note in frame.notes)


# --- what is refused


def refused(path, *words, error=FrameError):
    with pytest.raises(error) as caught:
        read_frame(path)
    text = str(caught.value)
    assert text.startswith((f"{path.name}: ", f"{path}: "))
    assert "\n" not in text
    for word in words:
        assert word in text


def test_truncated(write):
    path = write()
    path.write_bytes(path.read_bytes()[:-2880])
    refused(path, "cut short")


def test_extra_bytes_do_not_matter(write, capfd):
    path = write()
    path.write_bytes(path.read_bytes() + b"left over" * 400)
    np.testing.assert_array_equal(read_frame(path).data, RAMP)
    assert capfd.readouterr() == ("", "")


def test_truncated_in_the_header(write):
    path = write()
    path.write_bytes(path.read_bytes()[:1000])
    refused(path)


@pytest.mark.parametrize("keep", [0.5, 0.9])
def test_truncated_gzip(write, keep):
    noise = np.random.default_rng(1).normal(size=(NY, NX)).astype(np.float32)
    path = write(noise, name="m1.fits.gz")
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * keep)])
    refused(path, "cut short")


def test_whole_gzip_of_a_truncated_file(write, tmp_path):
    path = tmp_path / "m2.fits.gz"
    path.write_bytes(gzip.compress(write().read_bytes()[:-2880]))
    refused(path, "cut short")


def test_truncated_tile_compressed(tmp_path):
    path = tmp_path / "m1.fits.fz"
    noise = np.random.default_rng(1).integers(0, 60000, (NY, NX)).astype(np.int32)
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(noise, header())]).writeto(path)
    path.write_bytes(path.read_bytes()[:-2880])
    refused(path, "cut short")


@pytest.mark.parametrize(
    "content", [b"hello, this is a letter\n" * 500, b"\x89PNG\r\n" + bytes(5000), b"SIMPLE"]
)
def test_not_fits(tmp_path, content):
    path = tmp_path / "m1.fits"
    path.write_bytes(content)
    refused(path)


def test_empty_absent_folder(tmp_path):
    path = tmp_path / "m1.fits"
    refused(path, "no such file")
    path.touch()
    refused(path, "empty")
    refused(tmp_path, "folder")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read everything")
def test_unreadable(write):
    path = write()
    path.chmod(0)
    refused(path, "permissions")


def test_all_nan(write):
    frame = read_frame(write(np.full((NY, NX), np.nan, dtype=np.float32)))
    with pytest.raises(FrameError, match=r"m1\.fits: no pixel has a value"):
        _ = frame.data


@pytest.mark.parametrize("shape", [(50,), (1, 50), (5, NY, NX), (2, 3, NY, NX)])
def test_no_picture(write, shape):
    refused(write(np.zeros(shape, dtype=np.int16)))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"NAXIS1  =                   80", b"NAXIS1  =             80000000"),
        (b"NAXIS1  =                   80", b"NAXIS1  =                  -80"),
        (b"NAXIS1  =                   80", b"NAXIS1  = 'eighty  '          "),
        (b"BITPIX  =                  -32", b"BITPIX  =                   17"),
        (b"NAXIS   =                    2", b"NAXIS   =                  999"),
        (b"END      ", b"EMD      "),
    ],
    ids=["huge", "negative", "text", "bitpix", "naxis", "no END"],
)
def test_damaged_header(write, old, new):
    path = write()
    whole = path.read_bytes()
    assert old in whole
    path.write_bytes(whole.replace(old, new, 1))
    refused(path)


def test_numbers_as_strings(write):
    refused(write(cards=header(CRVAL1="246.42", CRVAL2="-24.16")), "CRVAL1", "string", error=FrameWCSError)
    frame = read_frame(write(cards=header(EXPTIME="60.0"), name="m2.fits"))
    assert frame.exposure.seconds == 60.0


def test_memory_frames():
    exposure = Exposure.from_start(Time("2027-05-04T22:00:00"), 60.0)
    frame = SolvedFrame.from_arrays(np.stack([RAMP] * 3), fits.Header(WCS_CARDS), exposure, label="stack")
    assert (frame.name, frame.checksum, frame.exposure) == ("stack", None, exposure)
    np.testing.assert_array_equal(frame.data, RAMP)
    with pytest.raises(FrameError, match="an image of"):
        SolvedFrame.from_arrays(np.zeros(5), fits.Header(WCS_CARDS))


# --- real frames


@pytest.mark.needs_shared
def test_space_frame(shared):
    frame = read_frame(shared / "frames" / "01772a127-w3-int-1b.fits.gz")
    assert frame.exposure.mid.isot == "2010-02-11T03:46:38.900"
    assert frame.exposure.seconds == 8.8
    assert isinstance(frame.observer, SpacecraftVector)
    assert frame.rotation_deg == pytest.approx(frame.header["PA"], abs=0.1)
    assert frame.pixel_scale == pytest.approx(2.756, abs=0.003)
    assert frame.parity == 1
    assert frame.wcs.sip is not None
    assert np.isfinite(frame.data).mean() > 0.95


@pytest.mark.needs_shared
def test_frame_without_time(shared):
    path = shared / "frames" / "w5-wise12um.fits"
    refused(path, "no time", "--time", error=FrameTimeError)
    frame = read_frame(path, require=("wcs",))
    assert frame.pixel_scale == pytest.approx(10.8, abs=1e-3)


@pytest.mark.needs_shared
def test_small_telescope(shared):
    """Site and middle as the frame's own header has them (SOURCES.txt beside it)."""
    frame = read_frame(shared / "frames" / "eyuma-thumbnail.fit.gz")
    assert frame.exposure.mid.isot == "2018-04-17T03:36:07.000"
    lon, lat, height = frame.observer.geodetic
    assert (lon, lat, height) == pytest.approx((-96.453278, 46.866780, 311.8), abs=1e-5)
    assert frame.pixel_scale == pytest.approx(0.563, abs=0.001)
    assert frame.filter == "r"


@pytest.mark.needs_shared
def test_survey_camera(shared):
    """Time, saturation and reference point as the frame's own header has them (SOURCES.txt beside it)."""
    path = shared / "frames" / "c4d_170316_062107_ooi_z_ls9.N2.fits"
    refused(path, "sign is wrong", "--site=-70.81489,-30.16606,2215", error=FrameSiteError)
    frame = read_frame(path, site="W84")
    assert (frame.hdu, frame.exposure.seconds) == (1, 107.0)
    assert frame.exposure.start.isot == "2017-03-16T06:18:30.751"
    assert frame.pixel_scale == pytest.approx(0.263, abs=0.001)
    assert frame.camera.saturation_adu.value == pytest.approx(45845.4, abs=0.1)
    ra, dec = frame.to_sky(*frame.to_pixel(186.7439, 25.4616))
    assert (ra, dec) == pytest.approx((186.7439, 25.4616), abs=1e-9)


def test_a_time_shift_moves_all_times(tmp_path):
    """A camera's clock on local time: the header stays as it is, the frame's times are an hour earlier."""
    path = tmp_path / "m1.fits"
    header = fits.Header({"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 246.42, "CRVAL2": -24.16,
                          "CRPIX1": 50.5, "CRPIX2": 40.5, "CDELT1": -0.001, "CDELT2": 0.001,
                          "EXPTIME": 60.0, "DATE-OBS": "2027-05-04T22:35:30", "OBSGEO-L": 20.5,
                          "OBSGEO-B": -23.0, "OBSGEO-H": 1250.0})  # fmt: skip
    fits.writeto(path, np.ones((80, 100), dtype=np.int16), header)
    plain, shifted = read_frame(path), read_frame(path, time_shift_s=-3600.0)
    assert (shifted.exposure.mid - plain.exposure.mid).sec == pytest.approx(-3600.0, abs=1e-6)
    assert (shifted.exposure.start - plain.exposure.start).sec == pytest.approx(-3600.0, abs=1e-6)
    assert any("shifted by -3600 s" in note for note in shifted.notes)

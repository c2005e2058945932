"""PNG files as other programs read them."""

import io

import cv2
import numpy as np
import pytest
from PIL import Image

from appulse.errors import InputError
from appulse.formats import NO_FILTER, dots_per_inch, encode_png
from appulse.formats.png import STRIP_ROWS, UP


@pytest.mark.parametrize("row_filter", [NO_FILTER, UP])
@pytest.mark.parametrize("planes", [1, 3])
@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_another_reader_finds_every_pixel(row_filter, planes, kind):
    # More rows than a strip has: the filter looks at the row before, across strips too.
    shape = (STRIP_ROWS + 3, 7, planes)
    pixels = np.random.default_rng(5).integers(0, np.iinfo(kind).max, shape, dtype=kind, endpoint=True)
    content = np.frombuffer(encode_png(pixels, row_filter=row_filter), np.uint8)
    read = cv2.imdecode(content, cv2.IMREAD_UNCHANGED).reshape(shape)
    assert read.dtype == kind
    np.testing.assert_array_equal(read[..., ::-1], pixels)  # that reader has blue first


def test_words_and_size_are_read():
    content = encode_png(
        np.zeros((2, 2, 3), np.uint8), [("Title", "Größe"), ("Author", "")], [dots_per_inch(150)]
    )
    picture = Image.open(io.BytesIO(content))
    assert picture.text == {"Title": "Größe"}
    assert picture.info["dpi"] == pytest.approx((150, 150), abs=0.05)  # whole pixels a metre


def test_what_is_no_picture_is_refused():
    with pytest.raises(InputError, match="2 channels and 8 bit: 1 or 3, and 8 or 16, are written"):
        encode_png(np.zeros((2, 2, 2), np.uint8))

"""Filters of whole pictures in single precision; beyond its edges a picture goes on with its last pixels."""

import cv2
import numpy as np

# Pieces of a picture are filtered side by side by those who call: a pool of its own would only wait for them.
cv2.setNumThreads(1)


def separable_filter(picture, line) -> np.ndarray:
    """Weighted sum of the pixels about each, the same along rows and columns.

    Parameters
    ----------
    picture : (ny, nx) float32 array
        Of finite numbers.
    line : (k,) array
        Weights along either axis, k odd.

    Returns
    -------
    (ny, nx) float32 array

    Examples
    --------
    >>> separable_filter(np.array([[0.0, 8.0, 0.0, 0.0]], np.float32), [0.25, 0.5, 0.25]).tolist()
    [[2.0, 4.0, 2.0, 0.0]]
    """
    weights = np.asarray(line, dtype=np.float32)
    return cv2.sepFilter2D(picture, cv2.CV_32F, weights, weights, borderType=cv2.BORDER_REPLICATE)


def box_mean(picture, side: int) -> np.ndarray:
    """Mean of the square of pixels about each.

    Parameters
    ----------
    picture : (ny, nx) float32 array
        Of finite numbers.
    side : int
        Of the square, odd.

    Returns
    -------
    (ny, nx) float32 array

    Examples
    --------
    >>> box_mean(np.array([[0.0, 9.0, 0.0, 0.0]], np.float32), 3).tolist()
    [[3.0, 3.0, 3.0, 0.0]]
    """
    return cv2.boxFilter(picture, cv2.CV_32F, (side, side), borderType=cv2.BORDER_REPLICATE)


def lowest(picture, side: int) -> np.ndarray:
    """Least of the square of pixels about each.

    Parameters
    ----------
    picture : (ny, nx) float32 array
    side : int
        Of the square, odd.

    Returns
    -------
    (ny, nx) float32 array

    Examples
    --------
    >>> lowest(np.array([[5.0, 9.0, 7.0, 8.0]], np.float32), 3).tolist()
    [[5.0, 5.0, 7.0, 7.0]]
    """
    return cv2.erode(picture, np.ones((side, side), np.uint8), borderType=cv2.BORDER_REPLICATE)


def block_means(picture, size: int) -> np.ndarray:
    """Means of blocks of pixels; what is left over at the ends is left out.

    Parameters
    ----------
    picture : (ny, nx) float32 array
        Of finite numbers.
    size : int
        Side of a block.

    Returns
    -------
    (ny // size, nx // size) float32 array

    Examples
    --------
    >>> block_means(np.array([[1.0, 3.0, 5.0], [1.0, 3.0, 5.0]], np.float32), 2).tolist()
    [[2.0]]
    """
    ny, nx = (side // size for side in picture.shape)
    whole = np.ascontiguousarray(picture[: ny * size, : nx * size], dtype=np.float32)
    return whole if size == 1 else cv2.resize(whole, (nx, ny), interpolation=cv2.INTER_AREA)

"""What kernels ask of the planes they are handed, checked once, outside every loop."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from .encoding import Encoding

Plane = npt.NDArray[Any]

INTEGER = (np.dtype(np.uint8), np.dtype(np.uint16))
FLOATING = (np.dtype(np.float16), np.dtype(np.float32))


def check_plane(plane: Any, name: str, dtypes: tuple[np.dtype[Any], ...]) -> Plane:
    """The plane itself.

    Raises: ValueError naming the argument where it is no array [rows, columns] of one of the types.
    """
    if not isinstance(plane, np.ndarray):
        raise ValueError(f"{name} must be an array [rows, columns], got {type(plane).__name__}")
    if plane.ndim != 2:
        raise ValueError(f"{name} must be [rows, columns], got shape {plane.shape}")
    if plane.dtype not in dtypes:
        raise ValueError(f"{name} must be one of {', '.join(str(dtype) for dtype in dtypes)}, got {plane.dtype}")
    return plane


def check_codes(plane: Any, name: str, encoding: Encoding, encoding_name: str) -> Plane:
    """An integer plane that is wide enough for the encoding's codes.

    Raises: ValueError naming the argument.
    """
    checked = check_plane(plane, name, INTEGER)
    if checked.dtype.itemsize * 8 < encoding.depth + encoding.bit_shift:
        shifted = f" shifted by {encoding.bit_shift}" if encoding.bit_shift else ""
        raise ValueError(
            f"{name} is {checked.dtype}, too small for the {encoding.depth}-bit codes{shifted} of {encoding_name}"
        )
    return checked


def check_out(out: Any, source: Plane, dtypes: tuple[np.dtype[Any], ...]) -> Plane:
    """The plane to write to: the source's shape, writable, and apart from the source or one with it.

    Raises: ValueError naming what is wrong.
    """
    checked = check_plane(out, "out", dtypes)
    if checked.shape != source.shape:
        raise ValueError(f"out must have the source's shape {source.shape}, got {checked.shape}")
    if not checked.flags.writeable:
        raise ValueError("out is read-only")
    if overlaps(source, checked):
        raise ValueError("out overlaps source without being the very same plane")
    return checked


def overlaps(source: Plane, out: Plane) -> bool:
    """Whether the planes share memory in any way but pixel for pixel."""
    same = source.dtype == out.dtype and source.strides == out.strides
    if same and source.__array_interface__["data"][0] == out.__array_interface__["data"][0]:
        return False
    return bool(np.shares_memory(source, out))


def adjacent(plane: Plane) -> bool:
    """Whether a kernel can read the plane as it is: neighbouring columns adjacent, and aligned."""
    return plane.flags.aligned and (plane.shape[1] < 2 or plane.strides[1] == plane.itemsize)


def readable(plane: Plane) -> Plane:
    """The plane as kernels take it: itself wherever possible, a packed copy of an interleaved or transposed one."""
    return plane if adjacent(plane) else np.ascontiguousarray(plane)

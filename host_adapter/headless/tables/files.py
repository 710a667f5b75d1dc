"""Tables as files: Common LUT Format (S-2014-006, now ST 2136-1) and .cube, written and read through libraries."""

from __future__ import annotations

import hashlib
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from ..curves import colour_science
from ..errors import Problem
from .table import UNIT, Signals, Table

SUFFIXES = (".cube", ".clf")
LARGEST_FILE = 256 << 20
"""Bytes of a table that is read: a cube of 129 points in text has 100 MB."""
LARGEST_CURVE, LARGEST_CUBE = 65536, 129
"""Points along a side: what the formats and their reader take."""


def ocio() -> Any:
    """OpenColorIO, quiet: what it would log is raised or measured here."""
    import PyOpenColorIO

    PyOpenColorIO.SetLoggingLevel(PyOpenColorIO.LOGGING_LEVEL_NONE)
    return PyOpenColorIO


def checked_suffix(path: Path) -> str:
    """Raises: Problem where a table cannot be written under that name."""
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise Problem(
            path, f"a table cannot be written as {suffix or 'a file without an extension'}", "Use .cube or .clf."
        )
    return suffix


def write_table(table: Table, path: Path) -> None:
    """Write under a name whose extension says the format."""
    if checked_suffix(path) == ".clf":
        path.write_text(_clf(table), encoding="utf-8")
    else:
        _write_cube(table, path)


def _write_cube(table: Table, path: Path) -> None:
    """.cube through colour-science. A domain that is not 0..1 is said in the file; not every device reads it."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        colour = colour_science()

        values = table.computed()
        low, high = (float(end) for end in table.domain)
        title = table.title.replace('"', "'")
        if table.cubic:
            size = table.size
            made: Any = colour.LUT3D(
                values.reshape(size, size, size, 3), title, domain=np.array([[low] * 3, [high] * 3]), comments=table.described()
            )  # fmt: skip
        else:
            domain = np.array([[low] * 3, [high] * 3])
            made = colour.LUT3x1D(values, title, domain=domain, comments=table.described())
        colour.io.write_LUT_IridasCube(made, str(path), decimals=10)


def _clf(table: Table) -> str:
    """Common LUT Format through OpenColorIO: the chain where there is one, else the points, the domain led to 0..1 before them."""
    library = ocio()
    group = library.GroupTransform()
    about = group.getFormatMetadata()
    about.setName(table.title)
    digest = hashlib.sha256("\n".join((*table.described(), str(table.size), str(table.domain))).encode()).hexdigest()
    about.setID(f"footroom-{table.kind}-{digest[:16]}")
    for line in table.described():
        about.addChildElement("Description", line)
    about.addChildElement("InputDescriptor", table.source.words(table.depth))
    about.addChildElement("OutputDescriptor", table.target.words(table.depth))
    for transform in table.chain or _points(library, table):
        group.appendTransform(transform)
    return str(group.write("Academy/ASC Common LUT Format", library.Config.CreateRaw()))


def _points(library: Any, table: Table) -> list[Any]:
    made = []
    if table.domain != UNIT:
        low, high = (float(end) for end in table.domain)
        made.append(line_transform(1 / (high - low), -low / (high - low)))
    values = table.computed().astype(np.float32)
    if table.cubic:
        cube = library.Lut3DTransform(table.size)
        cube.setData(values.reshape(-1))
        made.append(cube)
    else:
        curve = library.Lut1DTransform(table.size, False)
        curve.setData(values.reshape(-1))
        made.append(curve)
    return made


def line_transform(gain: float, offset: float) -> Any:
    """OpenColorIO's form of gain * signal + offset for R, G and B."""
    matrix = [gain, 0, 0, 0, 0, gain, 0, 0, 0, 0, gain, 0, 0, 0, 0, 1]
    return ocio().MatrixTransform(matrix, [offset, offset, offset, 0])


def read_table(path: Path) -> tuple[Any, Callable[[Signals], Signals]]:
    """OpenColorIO's transforms of a table's file, and the function that they are: R'G'B' signals [n, 3] to the same.

    Raises: Problem where it is none, is damaged, or holds what is no number.
    """
    if not path.is_file():
        raise Problem(path, "there is no such file" if not path.exists() else "it is no file")
    if path.stat().st_size > LARGEST_FILE:
        raise Problem(path, f"it has {path.stat().st_size >> 20} MB, which no table has", "Give the table itself.")
    _check_cube(path)
    library = ocio()
    try:
        processor = library.Config.CreateRaw().getProcessor(library.FileTransform(str(path.resolve())))
        group = processor.createGroupTransform()
        cpu = processor.getOptimizedCPUProcessor(library.OPTIMIZATION_LOSSLESS)
    except library.Exception as error:
        reason = " ".join(str(error).replace(str(path.resolve()), path.name).split()).rpartition("failed with: ")[2]
        raise Problem(
            path, f"it cannot be read as a table ({reason[:300]})", "Give a whole .cube, .clf or other table."
        ) from None
    for transform in group:
        if hasattr(transform, "getData") and not np.isfinite(np.asarray(transform.getData(), dtype=np.float64)).all():
            raise Problem(path, "it holds values that are no numbers (NaN or infinite)", "Have it made anew.")

    def apply(signals: Signals) -> Signals:
        picture = np.ascontiguousarray(signals, dtype=np.float32).reshape(-1, 3).copy()
        cpu.applyRGB(picture)
        return picture.astype(np.float64).reshape(np.shape(signals))

    if not np.isfinite(apply(np.array([[0.0] * 3, [0.5] * 3, [1.0] * 3]))).all():  # of a matrix, or of what overflows
        raise Problem(path, "it makes values of a picture that are no numbers (NaN or infinite)", "Have it made anew.")
    return group, apply


def text_of(path: Path) -> str:
    """The beginning of a file as text, where notes stand."""
    with path.open("rb") as file:
        return file.read(65536).decode("utf-8", errors="replace")


def _check_cube(path: Path) -> None:
    """Raises: Problem where a .cube's domain does not go up or it holds other points than it says, which its readers take."""
    if path.suffix.lower() != ".cube":
        return
    ends: dict[str, list[float]] = {}
    sizes: dict[str, int] = {}
    points = 0
    with path.open(encoding="utf-8", errors="replace") as file:
        for line in file:
            words = line.split(None, 4)
            if not words:
                continue
            key = words[0].upper()
            if key[0] in "+-.0123456789":
                points += 1
            elif key in ("DOMAIN_MIN", "DOMAIN_MAX"):
                try:
                    ends[key] = [float(word) for word in words[1:]]
                except ValueError:
                    raise Problem(path, f"its {key} holds what is no number: {line.strip()!r}") from None
            elif key in ("LUT_1D_SIZE", "LUT_3D_SIZE") and len(words) > 1 and words[1].isascii() and words[1].isdigit():
                sizes[key] = int(words[1])
    low, high = ends.get("DOMAIN_MIN", [0.0] * 3), ends.get("DOMAIN_MAX", [1.0] * 3)
    if len(low) != 3 or len(high) != 3 or not all(a < b for a, b in zip(low, high, strict=True)):
        raise Problem(path, f"its domain does not go up in every channel: {low} to {high}", "Have it made anew.")
    said = sizes.get("LUT_1D_SIZE", 0) + sizes.get("LUT_3D_SIZE", 0) ** 3
    if sizes and points > said:
        raise Problem(
            path, f"it says that it has {said} points, and holds {points}", "Its size is wrong: have it made anew."
        )

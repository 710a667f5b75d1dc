"""Numbered stills written through OpenImageIO, with the header of the still they come from."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio  # noqa: N813

from .codecs import CodecChoice
from .errors import Problem
from .media import Frame, Plane, Written
from .pipeline import run_pipeline
from .stills import Stills, pack, plane_channels

_SUFFIXES = {"dpx": ".dpx", "tiff": ".tif", "png": ".png", "exr": ".exr"}
_FORMATS = {"uint8": np.uint8, "uint16": np.uint16, "half": np.float16, "float": np.float32}
_UNWRITTEN = ("footroom:", "oiio:subimage", "oiio:BitsPerSample", "oiio:UnassociatedAlpha")


def transform_stills(
    source: Stills,
    target: Path,
    choice: CodecChoice,
    process: Callable[[Frame, tuple[Plane, ...]], None],
    progress: Callable[[int], None] | None,
    threads: int,
    stop: Callable[[], bool] | None,
) -> tuple[Written, bool]:
    """As writing.transform, for a sequence: `target` becomes a folder of stills with the source's names.

    Returns what was written, and False where it was stopped before the end.
    """
    info = source.info
    depth = None if info.depth is None else int("".join(filter(str.isdigit, choice.pixel_format)))
    count = 0
    going = True
    lost: set[str] = set()
    target.mkdir(parents=True)

    def work(frame: Frame) -> tuple[Frame, Any]:
        spec, pixels = frame.native
        if depth is None:
            made = pixels.copy()
        else:
            made = np.zeros(pixels.shape, np.uint8 if depth == 8 else np.uint16)
        process(frame, tuple(made[:, :, at] for at in plane_channels(spec, info)))
        return frame, made

    def write(item: tuple[Frame, Any]) -> bool:
        nonlocal count, going
        frame, made = item
        original = source.paths[frame.index]
        suffix = original.suffix if choice.container == info.container else _SUFFIXES[choice.container]
        path = target / original.with_suffix(suffix).name
        write_still(path, frame.native[0], made, depth)
        if frame.index == 0:
            lost.update(_lost_attributes(path, frame.native[0]))
        count += 1
        if progress:
            progress(count)
        going = not (stop is not None and stop())
        return going

    def read() -> Iterator[Frame]:
        return source.frames()

    run_pipeline(read, work, write, workers=max(threads, 1))
    if going and count != info.frames:
        raise Problem(source.run.pattern, f"{count} stills written of {info.frames}", "Please report this.")
    names = _header_names(source)
    carried = (f"header ({', '.join(names[:6])}{', …' if len(names) > 6 else ''})",) if names else ()
    return (
        Written(count, choice.codec, choice.pixel_format, choice.lossless, carried, tuple(sorted(lost))),
        going,
    )


def write_still(path: Path, like: Any, pixels: Any, depth: int | None) -> None:
    """One still with the header of `like`.

    pixels : uint8, uint16 (codes of `depth` bits), float16 or float32 [rows, columns, channels]

    Raises: Problem where the library refuses; OSError where the disk does.
    """
    spec = oiio.ImageSpec(like)
    for attribute in list(spec.extra_attribs):
        if attribute.name.startswith(_UNWRITTEN):
            spec.erase_attribute(attribute.name)
    spec.attribute("oiio:UnassociatedAlpha", 1)  # the library would divide colour by alpha otherwise
    spec.attribute("oiio:RawColor", 1)
    if depth is None:
        form = str(like.format)
    else:
        form = "uint8" if depth == 8 else "uint16"
        spec.attribute("oiio:BitsPerSample", depth)
        spec.channelformats = ()
    spec.set_format(form)
    words = pack(pixels, depth) if depth is not None and depth > 8 else pixels
    output = oiio.ImageOutput.create(str(path))
    if output is None:
        raise Problem(path, f"no writer for this file type ({oiio.geterror()})", "Choose another --codec.")
    opened = output.open(str(path), spec)
    done = opened and output.write_image(np.ascontiguousarray(words, _FORMATS[form]))
    closed = output.close() if opened else False
    if not (done and closed):
        reason = output.geterror().strip().split("\n")[0]
        _raise_disk_error(path)
        raise Problem(path, f"the still could not be written ({reason or 'unknown'})", "Choose another --codec.")


def _raise_disk_error(path: Path) -> None:
    """The library only says that it failed; a few bytes of our own tell whether the disk is to blame."""
    with path.with_name(f".{path.name}.trial").open("wb") as trial:
        trial.write(bytes(65536))
    path.with_name(f".{path.name}.trial").unlink()


def _attributes(spec: Any) -> dict[str, str]:
    return {
        each.name: str(each.value)
        for each in spec.extra_attribs
        if not each.name.startswith((*_UNWRITTEN, "oiio:", "tiff:RowsPerStrip", "Software", "dpx:Version"))
    }


def _header_names(source: Stills) -> list[str]:
    return sorted(_attributes(source.header))


def _lost_attributes(path: Path, like: Any) -> list[str]:
    """Header entries of the original that the written still does not give back."""
    back = oiio.ImageInput.open(str(path))
    if back is None:
        raise Problem(path, "the written still does not open", "Please report this.")
    here = _attributes(back.spec())
    back.close()
    return [f"header entry {name}" for name, value in _attributes(like).items() if here.get(name) != value]

"""Numbered stills written through OpenImageIO, with the header of the still they come from."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import OpenImageIO as oiio  # noqa: N813

from .errors import Problem
from .media import Frame, Info, Written
from .pipeline import run_pipeline
from .stills import Stills, pack, pixel_aspect, plane_channels

if TYPE_CHECKING:
    from .writing import Result

SUFFIXES = {"dpx": ".dpx", "tiff": ".tif", "png": ".png", "exr": ".exr"}
_FORMATS = {"uint8": np.uint8, "uint16": np.uint16, "half": np.float16, "float": np.float32}
_ASPECT_ROUNDING = Fraction(1, 1000)
"""Headers hold the pixel aspect as a float, or as two whole numbers in resolutions."""
_ASPECT_NAMES = ("PixelAspectRatio", "XResolution", "YResolution", "ResolutionUnit")
_UNWRITTEN = ("footroom:", "oiio:subimage", "oiio:BitsPerSample", "oiio:UnassociatedAlpha")


class StillsPass:
    """One pass over a sequence: every result's target becomes a folder of stills with the source's names."""

    def __init__(
        self,
        source: Stills,
        results: Sequence[Result],
        progress: Callable[[int], None] | None,
        stop: Callable[[], bool] | None,
    ) -> None:
        self.source, self.progress, self.stop = source, progress, stop
        self.folders = [_Folder(source, result) for result in results]
        self.count = 0
        self.going = True

    def run(self, threads: int) -> tuple[list[Written], bool]:
        """What was written, and False where it was stopped before the end."""
        for folder in self.folders:
            folder.result.target.mkdir(parents=True)
        run_pipeline(self.source.frames, self._work, self._write, workers=max(threads, 1))
        if self.going and self.count != self.source.info.frames:
            found = f"{self.count} stills written of {self.source.info.frames}"
            raise Problem(self.source.run.pattern, found, "Please report this.")
        return [folder.written(self.count) for folder in self.folders], self.going

    def _work(self, frame: Frame) -> tuple[Frame, list[Any]]:
        return frame, [folder.made(frame) for folder in self.folders]

    def _write(self, item: tuple[Frame, list[Any]]) -> bool:
        frame, pictures = item
        for folder, made in zip(self.folders, pictures, strict=True):
            folder.write(frame, made)
        self.count += 1
        if self.progress:
            self.progress(self.count)
        self.going = not (self.stop is not None and self.stop())
        return self.going


class _Folder:
    """One result of a pass."""

    def __init__(self, source: Stills, result: Result) -> None:
        self.source, self.result = source, result
        digits = "".join(filter(str.isdigit, result.codec.pixel_format))
        self.depth = None if source.info.depth is None else int(digits)
        self.lost: set[str] = set()

    def made(self, frame: Frame) -> Any:
        """The result's pixels [rows, columns, channels] of one frame."""
        spec, pixels = frame.native
        like = self._header(spec)
        shape = like.height, like.width, like.nchannels
        if shape == pixels.shape and self.depth == self.source.info.depth:
            made = pixels.copy()  # channels that are no colour go over as they are
        else:
            kind = pixels.dtype if self.depth is None else np.uint8 if self.depth == 8 else np.uint16
            made = np.zeros(shape, kind)
        self.result.process(frame, tuple(made[:, :, at] for at in plane_channels(like, self.result.info)))
        return made

    def write(self, frame: Frame, made: Any) -> None:
        info, choice, spec = self.source.info, self.result.codec, frame.native[0]
        original = self.source.paths[frame.index]
        suffix = original.suffix if choice.container == info.container else SUFFIXES[choice.container]
        path = self.result.target / original.with_suffix(suffix).name
        like = self._header(spec)
        write_still(path, like, made, self.depth)
        if frame.index == 0:
            reshaped = self.result.info.aspect != info.aspect
            self.lost.update(_lost_attributes(path, like, _ASPECT_NAMES if reshaped else ()))
            if abs(pixel_aspect(header_of(path)) / self.result.info.aspect - 1) > _ASPECT_ROUNDING:
                self.lost.add(f"pixel aspect {self.result.info.aspect}")
            self.lost.update(f"channel {name}" for name in spec.channelnames if name not in like.channelnames)

    def _header(self, spec: Any) -> Any:
        return result_header(spec, self.source.info, self.result.info, self.result.codec.container)

    def written(self, count: int) -> Written:
        choice, names = self.result.codec, _header_names(self.source)
        carried = (f"header ({', '.join(names[:6])}{', …' if len(names) > 6 else ''})",) if names else ()
        return Written(count, choice.codec, choice.pixel_format, choice.lossless, carried, tuple(sorted(self.lost)))


def result_header(spec: Any, source: Info, result: Info, kind: str) -> Any:
    """The header of a still of the result's size and pixel aspect, made from the source still's.

    A still of another size has a data and a display window of its own with its origin at 0, 0, and colour alone:
    further channels (depth and the like) cannot be framed with it.
    """
    like = oiio.ImageSpec(spec)
    if result.aspect != source.aspect:
        set_pixel_aspect(like, result.aspect, kind)
    if (result.width, result.height) == (spec.width, spec.height):
        return like
    like.x = like.y = like.full_x = like.full_y = 0
    like.width = like.full_width = result.width
    like.height = like.full_height = result.height
    kept = sorted(plane_channels(spec, source))
    if len(kept) < spec.nchannels:
        names = [spec.channelnames[at] for at in kept]
        like.nchannels, like.channelnames, like.channelformats = len(kept), tuple(names), ()
        like.alpha_channel = next((at for at, name in enumerate(names) if name.upper() in {"A", "ALPHA"}), -1)
        like.z_channel = -1
    return like


def set_pixel_aspect(spec: Any, aspect: Fraction, kind: str) -> None:
    """State the pixel aspect in a header that is to be written.

    kind : 'dpx' | 'tiff' | 'png' | 'exr'. PNG and TIFF say it by two resolutions, PNG in whole numbers: a resolution in
    inches or centimetres stays, and the library sets the other by it; one without a unit is the ratio itself.
    """
    spec.attribute("PixelAspectRatio", float(aspect))
    if kind not in {"png", "tiff"} or spec.get_string_attribute("ResolutionUnit", "none") != "none":
        return
    for name in ("XResolution", "YResolution"):
        spec.erase_attribute(name)
    if kind == "png" or aspect != 1:
        spec.attribute("XResolution", float(aspect.denominator))
        spec.attribute("YResolution", float(aspect.numerator))


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
        raise_disk_error(path)
        raise Problem(path, f"the still could not be written ({reason or 'unknown'})", "Choose another --codec.")


def raise_disk_error(path: Path) -> None:
    """The library only says that it failed; a few bytes of our own tell whether the disk is to blame."""
    trial = path.with_name(f".{path.name}.trial")
    try:
        with trial.open("wb") as file:
            file.write(bytes(65536))
    finally:
        trial.unlink(missing_ok=True)


def _attributes(spec: Any) -> dict[str, str]:
    return {
        each.name: str(each.value)
        for each in spec.extra_attribs
        if not each.name.startswith((*_UNWRITTEN, "oiio:", "tiff:RowsPerStrip", "Software", "dpx:Version"))
    }


def _header_names(source: Stills) -> list[str]:
    return sorted(_attributes(source.header))


def _lost_attributes(path: Path, like: Any, changed: tuple[str, ...]) -> list[str]:
    """Header entries of the original that the written still does not give back, but for those changed on purpose."""
    here = _attributes(header_of(path))
    there = {name: value for name, value in _attributes(like).items() if name not in changed}
    return [f"header entry {name}" for name, value in there.items() if here.get(name) != value]


def header_of(path: Path) -> Any:
    """The header of a still that was just written.

    Raises: Problem where it does not open.
    """
    back = oiio.ImageInput.open(str(path))
    if back is None:
        raise Problem(path, "the written still does not open", "Please report this.")
    spec = back.spec()
    back.close()
    return spec

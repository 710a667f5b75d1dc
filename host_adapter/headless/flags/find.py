"""Which walker reads a file, and every place in it that states the range."""

from __future__ import annotations

from pathlib import Path

from ..errors import Problem
from . import matroska, mp4, mxf, ts
from .place import Damaged, Layout, NoPlace, Site, Unsupported
from .source import Source

_BOXES = frozenset({b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot", b"uuid", b"styp", b"moof", b"sidx"})
OTHER_WAYS = "Mend it with --remedy rescale or lift, or set the clip's range by hand in the editor."
_NAMES = {
    "prores": "ProRes", "mjpeg": "Motion JPEG", "v210": "v210", "cfhd": "CineForm", "mpeg2video": "MPEG-2",
    "dpx": "DPX", "tiff": "TIFF", "exr": "OpenEXR", "png": "PNG", "avi": "AVI",
}  # fmt: skip
_STILLS = {
    b"SDPX": "dpx", b"XPDS": "dpx", b"II*\0": "tiff", b"MM\0*": "tiff", b"\x89PNG": "png", b"\x76\x2f\x31\x01": "exr",
}  # fmt: skip


def read_layout(source: Source) -> Layout:
    """Every place in an open file.

    Raises: Damaged, Unsupported, NoPlace
    """
    head = source.peek(0, 1024)
    if not head:
        raise Damaged("the file is empty")
    if head[:4] == b"\x1a\x45\xdf\xa3":
        return matroska.read(source)
    if head[4:8] in _BOXES:
        return mp4.read(source)
    if mxf.is_mxf(head):
        return mxf.read(source)
    if ts.packet_size(source):
        return ts.read(source)
    if head[:4] == b"RIFF" and head[8:12] == b"AVI ":
        raise NoPlace("avi")
    if head[:4] in _STILLS:
        raise NoPlace(_STILLS[head[:4]])
    raise Unsupported("it is no MP4, QuickTime, Matroska, MXF or transport stream file")


def layout_of(path: Path | str) -> Layout:
    """Every place in a file.

    Raises: Problem
    """
    path = Path(path)
    try:
        with Source(path) as source:
            return read_layout(source)
    except OSError as error:
        raise Problem(
            path, f"it cannot be read ({error.strerror or error})", "Check the path and the permissions."
        ) from error
    except Damaged as error:
        raise Problem(path, str(error), "Copy it again from the card, or let the camera repair it.") from error
    except NoPlace as error:
        raise Problem(path, no_place(str(error)), OTHER_WAYS) from error
    except Unsupported as error:
        raise Problem(path, str(error), OTHER_WAYS) from error


def no_place(codec: str) -> str:
    """Why a kind of file cannot be re-tagged, in words."""
    return f"{_NAMES.get(codec, codec)} has no place for the range that readers honour"


def find_sites(path: Path | str) -> tuple[Site, ...]:
    """Every place in the file that states the range of its first video stream, in the order of the file.

    Raises: Problem where the file is damaged, or of a kind that is not understood or that cannot say its range.
    """
    return layout_of(path).sites

"""Which file types can say their range in a way that readers honour, and where they keep it.

The table is what was measured with FFmpeg 8.1 (through PyAV): a row is True under `survives` where a flag that was
written came back from the file, and decoders hand it on. `tests/test_flags_expressible.py` measures it again.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Place:
    """Where one kind of file keeps its range.

    containers : names of the containers, in the spelling of Info.container
    codec : FFmpeg's name of the codec, '*' for whatever else the container holds
    stored : where the flag is, in words
    survives : True where a written flag is read back and honoured
    patched : True where the flag can be changed in a copy without touching a coded picture
    """

    containers: tuple[str, ...]
    codec: str
    stored: str
    survives: bool
    patched: bool


EXPRESSIBLE: tuple[Place, ...] = (
    Place(("mp4",), "h264", "parameter sets (VUI), and the colr box (nclx) where there is one", True, True),
    Place(("mp4",), "hevc", "parameter sets (VUI), and the colr box (nclx) where there is one", True, True),
    Place(("mov",), "h264", "parameter sets (VUI)", True, True),
    Place(("mov",), "hevc", "parameter sets (VUI)", True, True),
    Place(("mkv",), "h264", "parameter sets (VUI), and the Range element", True, True),
    Place(("mkv",), "hevc", "parameter sets (VUI), and the Range element", True, True),
    Place(("mxf",), "h264", "parameter sets (VUI), and the picture descriptor's levels", True, True),
    Place(("ts",), "h264", "parameter sets (VUI)", True, True),
    Place(("ts",), "hevc", "parameter sets (VUI)", True, True),
    Place(("mp4",), "av1", "sequence header, and the colr box (nclx) where there is one", True, True),
    Place(("mkv", "webm"), "av1", "sequence header, and the Range element", True, True),
    Place(("mp4",), "vp9", "key frames' headers, the vpcC box, and the colr box (nclx) where there is one", True, True),
    Place(("mkv", "webm"), "vp9", "key frames' headers, and the Range element", True, True),
    Place(("mkv",), "ffv1", "the Range element alone", True, True),
    Place(("mov",), "dnxhd", "ACLR atom", True, True),
    Place(("mxf",), "dnxhd", "picture descriptor's levels", True, True),
    Place(("mov", "mp4", "mkv", "avi"), "mjpeg", 'comment "CS=ITU601" in every picture says narrow', True, False),
    Place(("avi",), "ffv1", "nowhere", False, False),
    Place(("mov",), "prores", "nowhere", False, False),
    Place(("mkv", "mxf"), "prores", "container, but decoders say narrow whatever it holds", False, False),
    Place(("mov",), "v210", "nowhere", False, False),
    Place(("avi",), "v210", "nowhere", False, False),
    Place(("mov",), "cfhd", "nowhere", False, False),
    Place(("ts", "mxf", "mpg", "mov", "mkv"), "mpeg2video", "nowhere", False, False),
    Place(("dpx",), "dpx", "nowhere that readers honour", False, False),
    Place(("tiff",), "tiff", "nowhere", False, False),
    Place(("exr",), "exr", "nowhere; its levels are no codes", False, False),
    Place(("png",), "png", "nowhere; always taken for full", False, False),
)
"""One row for each kind of file that was measured; a kind that is absent counts as one that cannot say its range."""


def place_of(container: str, codec: str) -> Place | None:
    """The row for a file, or None where it was never measured."""
    for place in EXPRESSIBLE:
        if container.lower() in place.containers and place.codec == codec.lower():
            return place
    return None


def expressible(container: str, codec: str) -> bool:
    """True where this kind of file has a place for its range that readers honour.

    container : 'mp4' | 'mov' | 'mkv' | 'webm' | 'mxf' | 'avi' | 'ts' | …; codec : FFmpeg's name
    """
    place = place_of(container, codec)
    return place is not None and place.survives

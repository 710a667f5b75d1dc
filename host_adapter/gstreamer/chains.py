"""A live chain as GStreamer's own description of it: from what a person names to elements. Imports no GStreamer."""

from __future__ import annotations

import re
import shlex
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from ..effect import Effect, Kind
from ..effects import guides_effect, range_effect
from .environment import element_package

STREAMS_IN = ("srt", "rtsp", "rtsps", "udp", "http", "https")
STREAMS_OUT = ("srt", "udp")
MUXERS = {".mkv": "matroskamux", ".mp4": "mp4mux", ".mov": "qtmux"}
REPACKED = {
    **dict.fromkeys(("YUY2", "UYVY", "YVYU"), "Y42B"), "YV12": "I420", "NV21": "NV12", "NV61": "NV16",
    **dict.fromkeys(("AYUV", "VUYA", "v308", "IYU2"), "Y444"),
    **dict.fromkeys(("RGBx", "BGRx", "xRGB", "xBGR", "RGB", "BGR"), "RGBA"),
}  # fmt: skip
"""Packed formats of cameras, and planar ones that hold the same codes, which all that follows takes: our elements know some of the packed,
encoders few. Only what GStreamer's converter unpacks to the code: of its 10- and 12-bit packed formats it loses low bits (1.22.0)."""
PLANAR = {"v210": "I422_10LE", "NV12": "I420", "NV16": "Y42B", "P010_10LE": "I420_10LE", "P012_LE": "I420_12LE"}
"""The same codes in the order that encoders take."""
CODECS = ("ffv1", "h264")
BITRATE = 8000
"""kbit/s of H.264, enough for 1080p30 of moving pictures (common practice)."""
TEST_SIZE, TEST_RATE, TEST_PIXELS = (1920, 1080), Fraction(30), "I422_10LE"
DECODED = "caps=video/x-raw"
"""Decoders stop at frames in plain memory. Sound is decoded beside them and leads nowhere: with expose-all-streams=false, 1.22.0 finds
no decoder for FFV1."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """A chain in a person's words.

    source : 'test', a file, a device or a URL; sink : 'window', 'null', a file or a URL
    values : the effects' parameters that were said, by name
    size, rate, pixels : of the test source or asked of a device; None where they do not matter
    """

    source: str
    sink: str
    values: Mapping[str, Any] = field(default_factory=dict)
    on_error: str = "stop"
    codec: str | None = None
    bitrate: int = BITRATE
    size: tuple[int, int] | None = None
    rate: Fraction | None = None
    pixels: str | None = None


def source_kind(source: str) -> str:
    """'test' | 'device' | 'stream' | 'file'."""
    if source == "test":
        return "test"
    scheme = _scheme(source)
    if scheme and scheme != "file":
        return "stream"
    return "device" if source.startswith("/dev/") else "file"


def sink_kind(sink: str) -> str:
    """'window' | 'null' | 'stream' | 'file'."""
    if sink in ("window", "null"):
        return sink
    scheme = _scheme(sink)
    return "stream" if scheme and scheme != "file" else "file"


def local_file(name: str) -> Path:
    """The file of a name or a file URL."""
    return Path(urlsplit(name).path) if _scheme(name) == "file" else Path(name)


def _scheme(name: str) -> str:
    found = re.match(r"([a-z][a-z0-9+.-]*)://", name)
    return found[1] if found else ""


def parts(wanted: Wanted, sink_file: Path | None = None) -> list[str]:
    """The chain, an element to a text.

    sink_file : the file that is written, where it is another than the sink's name
    Raises: ValueError naming what cannot be.
    """
    effects = effect_parts(wanted)
    if not effects:
        raise ValueError(
            "there is nothing to do to the picture: say a range (--to), a depth, or something to draw (--window)"
        )
    return [
        *_source(wanted),
        *effects,
        "queue name=after max-size-buffers=8 max-size-bytes=0 max-size-time=0",
        *_sink(wanted, sink_file),
    ]


def effect_parts(wanted: Wanted) -> list[str]:
    """Our elements with the values that were said."""
    made = []
    for element, effect in (("footroomrange", range_effect.EFFECT), ("footroomguides", guides_effect.EFFECT)):
        said = _said(effect, wanted.values)
        if said:
            made.append(" ".join([f"{element} name={element}", *said, f"on-error={wanted.on_error}"]))
    return made


def _said(effect: Effect, values: Mapping[str, Any]) -> list[str]:
    found = []
    for param in effect.params:
        value = values.get(param.name)
        if value in (None, (), "", False):
            continue
        text = " ".join(value) if isinstance(value, tuple) else str(value)
        if param.kind is Kind.CHOICE or not isinstance(value, bool):
            text = str(param.checked(text if param.kind in (Kind.CHOICE, Kind.TEXT) else value))
        found.append(f"{param.name.replace('_', '-')}={_quoted(text)}")
    return found


def _quoted(text: str) -> str:
    """A value as gst_parse_launch reads it."""
    if re.fullmatch(r"[\w.:/@,%+-]+", text):
        return text
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _source(wanted: Wanted) -> list[str]:
    kind = source_kind(wanted.source)
    if kind == "test":
        size = wanted.size or TEST_SIZE
        rate = wanted.rate or TEST_RATE
        caps = f"video/x-raw,format={wanted.pixels or TEST_PIXELS},width={size[0]},height={size[1]},colorimetry=bt709"
        # One frame made once: painting each would take longer than what is to be looked at.
        return [
            "videotestsrc num-buffers=1", f"{caps},framerate={_rate(rate)}", "imagefreeze is-live=true",
            f"video/x-raw,framerate={_rate(rate)}", _before(),
        ]  # fmt: skip
    if kind == "device":
        asked = "".join(
            [
                f",format={wanted.pixels}" if wanted.pixels else "",
                f",width={wanted.size[0]},height={wanted.size[1]}" if wanted.size else "",
                f",framerate={_rate(wanted.rate)}" if wanted.rate else "",
            ]
        )
        repacked = f",format={REPACKED[wanted.pixels]}" if wanted.pixels in REPACKED else ""
        # Most webcams give their larger pictures as JPEG alone.
        kinds = f"video/x-raw{asked}" if wanted.pixels else f"video/x-raw{asked};image/jpeg{asked}"
        return [
            f"v4l2src device={_quoted(wanted.source)}", kinds, f"decodebin name=decode {DECODED}", _before(),
            "videoconvert name=unpack", f"capsfilter name=pin caps=video/x-raw{repacked}",
        ]  # fmt: skip
    if kind == "stream":
        scheme = _scheme(wanted.source)
        if scheme not in STREAMS_IN:
            raise ValueError(f"streams come in by {', '.join(STREAMS_IN)}, not by {scheme}")
        return [f"uridecodebin name=decode uri={_quoted(wanted.source)} {DECODED}", _before()]
    path = local_file(wanted.source)
    return [
        f"filesrc location={_quoted(str(path))}", f"decodebin name=decode {DECODED}", _before(),
        "clocksync name=pace",
    ]  # fmt: skip


def _before() -> str:
    return "queue name=before max-size-buffers=4 max-size-bytes=0 max-size-time=0"


def _sink(wanted: Wanted, sink_file: Path | None) -> list[str]:
    kind = sink_kind(wanted.sink)
    if kind != "file" and wanted.codec is not None and (kind != "stream" or wanted.codec != "h264"):
        raise ValueError(f"--codec {wanted.codec} is for files; streams go out as h264")
    if kind == "null":
        return ["fakesink name=sink sync=true enable-last-sample=false"]
    if kind == "window":
        return ["videoconvert", "autovideosink name=sink"]
    if kind == "stream":
        return _stream(wanted)
    path = sink_file or local_file(wanted.sink)
    suffix = path.suffix.lower()
    if suffix not in MUXERS:
        raise ValueError(f"files are written as {', '.join(MUXERS)}, not as {suffix or 'a file without a suffix'}")
    codec = wanted.codec or ("ffv1" if suffix == ".mkv" else "h264")
    if codec not in CODECS:
        raise ValueError(f"--codec takes {' and '.join(CODECS)}, not {codec}")
    if codec == "ffv1" and suffix != ".mkv":
        raise ValueError(f"ffv1 goes into .mkv files, not into {suffix}")
    coder = ["avenc_ffv1 name=encode slices=4 threads=auto"] if codec == "ffv1" else _h264(wanted, "")
    mux = MUXERS[suffix]
    return [
        "videoconvert name=pack",
        "capsfilter name=pin-out",
        *coder,
        f"{mux} name=mux",
        f"filesink name=sink location={_quoted(str(path))} sync=false",
    ]


def _stream(wanted: Wanted) -> list[str]:
    parted = urlsplit(wanted.sink)
    if parted.scheme not in STREAMS_OUT:
        raise ValueError(f"streams go out by {' and '.join(STREAMS_OUT)}, not by {parted.scheme}")
    try:
        port = parted.port
    except ValueError:
        port = None
    if port is None or (parted.scheme == "udp" and not parted.hostname):
        raise ValueError(f"a stream goes to {parted.scheme}://HOST:PORT, got {wanted.sink}")
    if parted.scheme == "srt":
        sink = f"srtsink name=sink uri={_quoted(wanted.sink)} wait-for-connection=false"
    else:
        sink = f"udpsink name=sink host={parted.hostname} port={port}"
    return [
        "videoconvert name=pack",
        "capsfilter name=pin-out",
        *_h264(wanted, " tune=zerolatency"),
        "mpegtsmux name=mux alignment=7",
        sink,
    ]


def _h264(wanted: Wanted, more: str) -> list[str]:
    rate = f"bitrate={wanted.bitrate}"
    return [f"x264enc name=encode speed-preset=veryfast {rate} key-int-max=60{more}", "h264parse"]


def _rate(rate: Fraction) -> str:
    return f"{rate.numerator}/{rate.denominator}"


def description(chain: list[str]) -> str:
    """The chain as gst_parse_launch takes it."""
    return " ! ".join(chain)


def command_line(chain: list[str]) -> str:
    """The chain as a person types it: the shell takes away one layer of quotes, and gst-launch-1.0 puts its own."""
    words: list[str] = []
    for number, part in enumerate(chain):
        if number:
            words.append("!")
        words += [shlex.quote(word) for word in shlex.split(part)]
    return " ".join(["footroom host gstreamer --run gst-launch-1.0 -e", *words])


def elements(chain: list[str]) -> list[str]:
    """Names of the elements that a chain needs."""
    return [part.split()[0] for part in chain if not part.startswith("video/")]


def install_words(names: list[str]) -> str:
    """What to install for elements that are not there."""
    packages = sorted({package for package in map(element_package, names) if package})
    return f"Install: apt-get install {' '.join(packages)}." if packages else "Run footroom host gstreamer --check."

"""Which codec, pixel format and file type a result is written in, and why, in words for the receipt."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import lru_cache
from typing import Any

import av
import av.error
from av.video import format as av_format

from ...kernels.encoding import Model
from .errors import Problem
from .flags import expressible
from .media import Info


@dataclass(frozen=True, slots=True)
class CodecChoice:
    """What a result is written as.

    codec : FFmpeg's name of the coding ('h264', 'prores', …); for stills the file type
    pixel_format : FFmpeg's name of the planes handed to the encoder; for stills 'rgb10', 'rgba16', …
    container : 'mp4' | 'mov' | 'mkv' | …, also the file's extension
    options : the encoder's options, as written into the receipt
    lossless : True where decoding gives back the very codes that were handed in
    why : in words, for a person
    encoder : FFmpeg's name of the encoder; '' for stills
    """

    codec: str
    pixel_format: str
    container: str
    options: dict[str, str] = field(hash=False)
    lossless: bool
    why: str
    encoder: str = ""


_FFMPEG_FORMATS: frozenset[str] = frozenset(vars(av_format)["names"])

WORDS = {
    "h264": "h264", "avc": "h264", "h265": "hevc", "hevc": "hevc", "av1": "av1", "vp9": "vp9", "prores": "prores",
    "dnxhr": "dnxhd", "dnxhd": "dnxhd", "ffv1": "ffv1", "v210": "v210", "cfhd": "cfhd", "mjpeg": "mjpeg",
    "mpeg2": "mpeg2video", "mpeg2video": "mpeg2video",
}  # fmt: skip
"""What a person may say for --codec, and FFmpeg's name of that coding."""

_ENCODERS = {
    "h264": ("libx264", "libx264rgb"), "hevc": ("libx265",), "av1": ("libsvtav1",), "vp9": ("libvpx-vp9",),
    "prores": ("prores_ks",), "dnxhd": ("dnxhd",), "ffv1": ("ffv1",), "v210": ("v210",), "cfhd": ("cfhd",),
    "mjpeg": ("mjpeg",), "mpeg2video": ("mpeg2video",),
}  # fmt: skip
_HOMES = {
    "h264": ("mp4", "mov", "mkv", "ts"), "hevc": ("mp4", "mov", "mkv", "ts"), "av1": ("mp4", "mkv", "webm"),
    "vp9": ("webm", "mkv", "mp4"), "prores": ("mov", "mxf", "mkv"), "dnxhd": ("mov", "mxf"), "ffv1": ("mkv",),
    "v210": ("mov", "avi"), "cfhd": ("mov", "avi"), "mjpeg": ("mov", "avi", "mkv"),
    "mpeg2video": ("ts", "mxf", "mpg", "mov", "mkv"),
}  # fmt: skip
"""File types that hold a coding, the first one the place where a stranger expects it."""

_SPOKEN = {
    "h264": "H.264", "hevc": "HEVC", "av1": "AV1", "vp9": "VP9", "prores": "ProRes", "dnxhd": "DNxHR", "ffv1": "FFV1",
    "mjpeg": "Motion JPEG", "mpeg2video": "MPEG-2", "cfhd": "CFHD",
}  # fmt: skip
_LIFT_KEEPS = {"h264", "hevc", "ffv1"}
"""Codings with a lossless mode deep enough for a lift; everything else is lifted into FFV1."""

_STILL_DEPTHS = {"dpx": (8, 10, 12, 16), "tiff": (8, 16), "png": (8, 16)}
_DNXHR = {"DNXHR LB": "dnxhr_lb", "DNXHR SQ": "dnxhr_sq"}
_PRORES = {"Proxy": "proxy", "LT": "lt", "Standard": "standard", "HQ": "hq"}
_LAMBDA = 118
"""FFmpeg's steps of global_quality to one step of quantiser."""


def choose_codec(info: Info, *, depth: int, remedy: str, codec: str | None = None) -> CodecChoice:
    """The coding that suits the remedy best: the source's own where it can be written, else one that loses nothing.

    depth : bits of the result's codes
    remedy : 'rescale' (near-transparent in the same coding) or 'lift' (lossless, so that it can be undone exactly)
    codec : what the person asked for, or None

    Raises: Problem where what was asked for cannot be written, listing what can.
    """
    if remedy not in {"rescale", "lift"}:
        raise ValueError(f"remedy must be 'rescale' or 'lift', got {remedy!r}")
    if info.kind == "stills":
        return _choose_still(info, depth, codec)
    lossless = remedy == "lift"
    if codec is not None:
        return _asked_for(info, depth, codec.lower(), lossless)
    own = info.codec if info.codec in _ENCODERS else None
    reason = f"there is no writer here for {info.codec}" if own is None else ""
    if own and lossless and own not in _LIFT_KEEPS:
        own, reason = None, f"{own} is lossy or not deep enough, and a lift must be undone exactly"
    if own:
        found, reason = _try(info, depth, own, lossless)
        if found:
            return _with_home(info, found, "the source's own coding")
    found, why_not = _try(info, depth, "ffv1", True)
    if found:
        return _with_home(info, found, reason)
    advice = "Export it as 4:2:2 or 4:4:4 first."
    if lossless:  # only a lift chooses its depth
        deeper = writable_depth(info, depth + 1)
        advice = f"Use --depth {deeper}." if deeper else "Use --remedy rescale, or export it as 4:2:2 or 4:4:4 first."
    raise Problem(info.path, f"no encoder takes its pictures ({why_not})", advice)


def writable_depth(info: Info, at_least: int) -> int | None:
    """The smallest depth from `at_least` up that some encoder writes for this recording, or None."""
    for depth in range(max(at_least, 8), 17):
        if info.kind == "stills":
            if depth in _STILL_DEPTHS.get(info.container, ()):
                return depth
        elif _try(info, depth, "ffv1", True)[0]:
            return depth
    return None


def _asked_for(info: Info, depth: int, word: str, lossless: bool) -> CodecChoice:
    if word not in WORDS:
        raise Problem(info.path, f"there is no codec {word!r} to write", f"Available: {', '.join(sorted(set(WORDS)))}.")
    found, why_not = _try(info, depth, WORDS[word], lossless)
    if found is None:
        others = [name for name in _ENCODERS if name != WORDS[word] and _try(info, depth, name, lossless)[0]]
        advice = f"These can: {', '.join(others)}." if others else "Try another --depth."
        raise Problem(info.path, why_not, advice)
    why = "as asked for"
    if lossless and not found.lossless:
        why += "; this coding is lossy, so the lift cannot be undone exactly"
    return _with_home(info, found, why)


def _try(info: Info, depth: int, codec: str, lossless: bool) -> tuple[CodecChoice | None, str]:
    """The choice if an encoder really opens for this size, format and depth; else None and the reason in words."""
    wanted = plane_formats(info.model, info.sampling, info.alpha, depth)
    kind = f"{info.model.value} {info.sampling}{' with alpha' if info.alpha else ''} {depth} bit"
    for encoder in _ENCODERS[codec]:
        held = _formats_of(encoder)
        if held is None:
            return None, f"this build has no encoder for {codec}"
        for name in wanted:
            if name not in held:
                continue
            options, exact = _options(info, codec, depth, lossless)
            for more in _slicings(info) if codec == "ffv1" else ({},):
                choice = CodecChoice(codec, name, "", {**options, **more}, exact, "", encoder)
                if opens(choice, info):
                    return choice, ""
            return None, f"{codec} refuses a picture of {info.width}x{info.height} {info.sampling}"
    return None, f"{codec} cannot be written as {kind}"


@lru_cache(maxsize=64)
def _formats_of(encoder: str) -> frozenset[str] | None:
    try:
        codec = av.Codec(encoder, "w")
    except ValueError:
        return None
    if encoder == "prores_ks":
        return frozenset({"yuv422p10le"})  # what it writes as 4:4:4 at 10 bit is decoded at 12
    held = frozenset(form.name for form in codec.video_formats or ())
    return held - {"gray", "gray10le"} if encoder == "libx264" else held  # its gray is decoded as 4:2:0


def plane_formats(model: Model, sampling: str, alpha: bool, depth: int) -> list[str]:
    """FFmpeg's pixel formats for such planes, planar ones first."""
    bits = "" if depth == 8 else f"{depth}le"
    if model is Model.GRAY:
        wanted = [{8: "ya8", 16: "ya16le"}.get(depth, "")] if alpha else [f"gray{bits}"]
    elif model is Model.RGB:
        wanted = [f"gbr{'a' if alpha else ''}p{bits}"]
        if depth == 8:
            wanted += ["bgra", "rgba"] if alpha else ["bgr0", "rgb24"]
        if depth == 16:
            wanted.append("rgba64le" if alpha else "rgb48le")
    else:
        wanted = [f"yuv{'a' if alpha else ''}{sampling.replace(':', '')}p{bits}"]
    return [name for name in wanted if name in _FFMPEG_FORMATS]


def _options(info: Info, codec: str, depth: int, lossless: bool) -> tuple[dict[str, str], bool]:
    """The encoder's options, and whether decoding gives back the very codes."""
    profile = info.profile or ""
    match codec:
        case "h264":
            pace = {"preset": "fast", "rc-lookahead": "20"}
            if "Intra" in profile:
                pace["g"] = "1"
            return ({**pace, "qp": "0"}, True) if lossless else ({**pace, "crf": "4", "psy": "0"}, False)
        case "hevc":
            fixed = "log-level=error:rc-lookahead=15:frame-threads=2"
            if info.frames is None or info.frames < 8:
                fixed += ":bframes=0"  # the encoder leaves times undefined where fewer pictures come than it reorders
            if lossless:
                return {"preset": "fast", "x265-params": f"lossless=1:{fixed}"}, True
            return {"preset": "fast", "crf": "4", "x265-params": f"psy-rd=0:psy-rdoq=0:{fixed}"}, False
        case "av1":
            return {"preset": "8", "crf": "12", "svtav1-params": "film-grain=0:lookahead=16"}, False
        case "vp9":
            pace = {"deadline": "good", "cpu-used": "4", "row-mt": "1", "lag-in-frames": "12"}
            return ({**pace, "lossless": "1"}, True) if lossless else ({**pace, "crf": "6", "b": "0"}, False)
        case "prores":
            return {"profile": _PRORES.get(profile, "hq"), **_quantiser(2)}, False
        case "dnxhd":
            wide = info.sampling == "4:4:4" or info.model is Model.RGB
            best = "dnxhr_444" if wide else "dnxhr_hqx" if depth > 8 else _DNXHR.get(profile, "dnxhr_hq")
            return {"profile": best}, False
        case "ffv1":
            return {"level": "3", "slicecrc": "1", "g": "1", "context": "0"}, True
        case "v210":
            return {}, False  # its encoder clips the codes reserved for timing
        case "cfhd":
            return {"quality": "film3+"}, False
        case "mjpeg":
            return {**_quantiser(2), "qmin": "1", "strict": "unofficial"}, False
        case _:
            return {**_quantiser(2), "qmin": "1", "bf": "2", "g": "12", "dc": "2"}, False


def _slicings(info: Info) -> list[dict[str, str]]:
    """Slices for FFV1, many first. The encoder refuses some odd sizes in slices, and spoils odd 4:1:1 ones."""
    counts = [1] if info.sampling == "4:1:1" and info.width % 16 else [4, 1]
    if info.width * info.height > 2_500_000 and counts[0] != 1:
        counts.insert(0, 16)
    return [{"slices": str(count)} for count in counts]


def _quantiser(step: int) -> dict[str, str]:
    return {"flags": "+qscale", "global_quality": str(step * _LAMBDA)}


def opens(choice: CodecChoice, info: Info) -> bool:
    """True where the encoder takes a picture of this size; asked of the encoder itself, which knows best."""
    size = info.width, info.height
    return encoder_opens(choice.encoder, choice.pixel_format, size, info.rate or Fraction(25), choice.options)


def encoder_opens(
    encoder: str, pixel_format: str, size: tuple[int, int], rate: Fraction, options: dict[str, str]
) -> bool:
    """True where an encoder takes pictures of that format, size (columns, rows) and rate with those options."""
    context: Any = av.CodecContext.create(encoder, "w")
    context.width, context.height = size
    context.pix_fmt = pixel_format
    context.framerate, context.time_base = rate, 1 / rate
    context.thread_count = 1
    context.options = dict(options)
    try:
        context.open()
    except (av.error.FFmpegError, ValueError):
        return False
    return True


def _with_home(info: Info, choice: CodecChoice, why: str) -> CodecChoice:
    """The choice with its file type: the source's where the coding and its flag can live in it."""
    homes = _HOMES[choice.codec]
    own = info.container
    sayable = any(expressible(each, choice.codec) for each in homes)
    fits = own in homes and (expressible(own, choice.codec) or not sayable)
    home = own if fits else _nearest_home(own, choice.codec)
    other = choice.codec != info.codec and not why.startswith("as asked for")
    words = [_named(choice) + (f" because {why}" if other else f", {why}")]
    if home != own:
        cannot = "cannot hold it" if own not in homes else "has no place for its range flag"
        words.append(f"in {home} because {own} {cannot}")
    if not expressible(home, choice.codec):
        words.append("this file type cannot say its range, and readers take it for narrow")
    if choice.codec == "cfhd":
        words.append("its encoder raises codes by about a quarter of an 8-bit code")
    if choice.codec == "h264" and choice.lossless:
        words.append("lossless H.264 is the High 4:4:4 Predictive profile, which some editors do not open")
    return replace(choice, container=home, why="; ".join(words))


def _nearest_home(own: str, codec: str) -> str:
    homes = [home for home in _HOMES[codec] if expressible(home, codec)] or list(_HOMES[codec])
    kin = {"mov": "mp4", "mp4": "mov", "webm": "mkv", "mkv": "webm"}.get(own, "")
    return kin if kin in homes else homes[0]


def _named(choice: CodecChoice) -> str:
    return _SPOKEN.get(choice.codec, choice.codec) + (", lossless" if choice.lossless else "")


def _choose_still(info: Info, depth: int, codec: str | None) -> CodecChoice:
    kind = (codec or info.container).lower()
    kind = {"tif": "tiff", "openexr": "exr"}.get(kind, kind)
    base = f"{info.model.value}{'a' if info.alpha else ''}"
    if info.depth is None:
        if kind != "exr":
            raise Problem(info.path, f"floating-point levels are not written to {kind}", "Leave --codec out.")
        same = info.pixel_format
        return CodecChoice("exr", same, "exr", {}, _exact(info), "the source's own file type; levels, no codes")
    if kind not in _STILL_DEPTHS:
        raise Problem(info.path, f"stills are not written as {kind!r}", f"Available: {', '.join(_STILL_DEPTHS)}.")
    allowed = _STILL_DEPTHS[kind]
    if depth not in allowed:
        deeper = next((each for each in allowed if each > depth), None)
        advice = f"Use --depth {deeper}" if deeper else "Use --codec dpx"
        raise Problem(info.path, f"{kind.upper()} stills hold {_or(allowed)} bits, not {depth}", f"{advice}.")
    why = "the source's own file type" if kind == info.container else "as asked for"
    if kind == "png":
        why += "; readers take PNG for full whatever it holds"
    else:
        why += "; this file type cannot say its range"
    return CodecChoice(kind, f"{base}{depth}", kind, {}, _exact(info) or kind != info.container, why)


def _exact(info: Info) -> bool:
    """False where the stills' own compression loses something."""
    lossy = ("jpeg", "dwa", "b44", "pxr24", "htj2k", "webp", "lossy")
    return not any(word in (info.profile or "").lower() for word in lossy)


def _or(numbers: tuple[int, ...]) -> str:
    return ", ".join(map(str, numbers[:-1])) + f" or {numbers[-1]}"

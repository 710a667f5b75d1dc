"""Recordings with right and wrong flags, timelines of them, and their frames as another library reads them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from footroom.host_adapter.headless.demo.scene import HEIGHT, WIDTH
from footroom.host_adapter.headless.demo.shoot import RATE, SHOOT, write_clip
from footroom.host_adapter.headless.opening import open_recording
from footroom.kernels import Encoding, Range, requantise
from footroom.kernels.encoding import Channel

FRAMES = 24
_LOG = SHOOT[3]  # FFV1, 10 bit 4:2:2, so that codes come back as they were written
_FINISHED = replace(_LOG, codes=Range.NARROW, picture="display", letterbox=0.128)
CLIPS = {
    "right_full.mkv": replace(_LOG, take=2),
    "wrong_full.mkv": replace(_FINISHED, codes=Range.FULL, flag=Range.NARROW),
    "right_narrow.mkv": replace(_FINISHED, flag=Range.NARROW, take=2),
    "wrong_narrow.mkv": replace(_FINISHED, flag=Range.FULL, take=4),
    "unsaid_narrow.mkv": replace(_FINISHED, flag=None, take=5),
}
FULL, NARROW = Encoding(10, Range.FULL), Encoding(10, Range.NARROW)
Frames = list[tuple[Any, ...]]


def make_clips(folder: Path) -> None:
    for name, clip in CLIPS.items():
        write_clip(folder / name, clip, FRAMES)


def make_timeline(
    path: Path, clips: Sequence[Path], overlap: int = 6, effects: Sequence[tuple[int, str]] = (), rate: int = int(RATE),
    size: tuple[int, int] = (WIDTH, HEIGHT), more: str = "", over: str | None = None,
) -> list[int]:  # fmt: skip
    """Clips of 24 frames in a row, the last two cross-fading; returns each one's first frame in the timeline.

    more : of the track's caps; over : an effect on a layer above, over all of them
    """
    import gi

    gi.require_version("GES", "1.0")
    from gi.repository import GES, Gst

    assert GES.init()
    timeline = GES.Timeline.new()
    track = GES.VideoTrack.new()
    track.set_restriction_caps(
        Gst.Caps.from_string(f"video/x-raw,width={size[0]},height={size[1]},framerate={rate}/1{more}")
    )
    timeline.add_track(track)
    timeline.props.auto_transition = True
    above = timeline.append_layer() if over else None
    layer = timeline.append_layer()
    starts = []
    for number, clip in enumerate(clips):
        start = number * FRAMES - (overlap if number == len(clips) - 1 else 0)
        starts.append(start)
        asset = GES.UriClipAsset.request_sync(clip.resolve().as_uri())
        made = layer.add_asset(asset, start * Gst.SECOND // rate, 0, FRAMES * Gst.SECOND // rate, GES.TrackType.UNKNOWN)
        for wanted, description in effects:
            if wanted == number:
                assert made.add(GES.Effect.new(description))
    if above is not None:
        spread = GES.EffectClip.new(over, None)
        spread.props.start, spread.props.duration = 0, timeline.get_duration()
        assert above.add_clip(spread)
    timeline.commit()
    assert timeline.save_to_uri(path.resolve().as_uri(), None, True)
    return starts


def frames_of(path: Path) -> Frames:
    with open_recording(path) as recording:
        return [tuple(plane.copy() for plane in frame.planes) for frame in recording.frames()]


def narrowed(frames: Frames, first: int = 0) -> Frames:
    """Full codes made narrow by the kernel, as the headless mend does; first : number of the first frame, which keys the noise."""
    channels = (Channel.LUMA, Channel.CHROMA, Channel.CHROMA)
    return [
        tuple(
            requantise(plane, FULL, NARROW, channel=channel, dither="triangular", frame=first + number, plane=index)
            for index, (plane, channel) in enumerate(zip(planes, channels, strict=True))
        )
        for number, planes in enumerate(frames)
    ]


def differing(a: Frames, b: Frames) -> list[int]:
    """Numbers of frames that are not equal in every code of every plane."""
    assert len(a) == len(b)
    return [
        number
        for number, (x, y) in enumerate(zip(a, b, strict=True))
        if not all(np.array_equal(p, q) for p, q in zip(x, y, strict=True))
    ]

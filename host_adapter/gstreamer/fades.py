"""Cross-fades in the pictures' own depth, in place of the framework's.

The Editing Services of 1.22 mix a cross-fade in 8-bit AYUV of BT.601, whatever the timeline is pinned to, and its middle was measured 87
10-bit codes too dark on average. Two clips that overlap, the upper one with an opacity that goes from one end to the other, are mixed by
the compositor in the timeline's own format: within a code and a 255th of the two pictures' difference, for its opacity has 8 bits.
"""

from __future__ import annotations

from typing import Any

import gi

from . import unwinding  # noqa: F401  (before GStreamer)

gi.require_version("GES", "1.0")
gi.require_version("GstController", "1.0")

from gi.repository import GES, GstController  # noqa: E402


def replace_fades(timeline: Any) -> int:
    """Put animated opacity in the place of every cross-fade of pictures, in a timeline that is only rendered; returns how many.

    Wipes stay, and so do cross-fades of pictures whose opacity is somebody's own.
    """
    count = 0
    timeline.set_auto_transition(False)
    for layer in timeline.get_layers():
        layer.set_auto_transition(False)
        clips = layer.get_clips()
        for transition in [clip for clip in clips if isinstance(clip, GES.TransitionClip)]:
            sources = _both(transition, clips)
            parts = [part for part in transition.get_children(False) if isinstance(part, GES.VideoTransition)]
            if sources is None or not parts or not _is_fade(parts[0]):
                continue
            transition.remove(parts[0])
            _ramp(transition, *sources)
            count += 1
    timeline.commit()
    return count


def _is_fade(part: Any) -> bool:
    return bool(part.get_transition_type() == GES.VideoStandardTransitionType.CROSSFADE)


def _both(transition: Any, clips: list[Any]) -> tuple[Any, Any] | None:
    """The picture that goes and the one that comes; None where they are not plain."""
    start, end = transition.props.start, transition.props.start + transition.props.duration
    going = [clip for clip in clips if clip.props.start < start and clip.props.start + clip.props.duration == end]
    coming = [
        clip
        for clip in clips
        if clip.props.start == start and clip is not transition and not isinstance(clip, GES.TransitionClip)
    ]
    if len(going) != 1 or len(coming) != 1:
        return None
    found = [_picture(clip) for clip in (going[0], coming[0])]
    return (found[0], found[1]) if None not in found else None


def _picture(clip: Any) -> Any:
    """A clip's source of pictures, if its opacity is 1 throughout."""
    for part in clip.get_children(False):
        if isinstance(part, GES.VideoSource):
            found, alpha = part.get_child_property("alpha")
            plain = found and alpha == 1 and part.get_control_binding("alpha") is None
            return part if plain else None
    return None


def _ramp(transition: Any, going: Any, coming: Any) -> None:
    """Opacity over the time of the transition, on the picture that lies above: the one with the lower number."""
    upper = going if going.props.priority < coming.props.priority else coming
    first = transition.props.start - upper.props.start + upper.props.in_point
    whole = upper.props.in_point, upper.props.in_point + upper.props.duration
    keys = GstController.InterpolationControlSource.new()
    keys.props.mode = GstController.InterpolationMode.LINEAR
    keys.set(whole[upper is coming], 1.0)  # a line goes on beyond its keys
    keys.set(first, 1.0 if upper is going else 0.0)
    keys.set(first + transition.props.duration, 0.0 if upper is going else 1.0)
    upper.set_control_source(keys, "alpha", "direct-absolute")

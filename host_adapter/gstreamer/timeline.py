"""A timeline of the Editing Services: opened whole or not at all, range effects put on its clips, its signal pinned, saved.

Everything that the framework would do in silence is looked at here: effects whose element is missing, clips that did not load,
ranges that change from clip to clip.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import gi

from . import unwinding  # noqa: F401  (before GStreamer)

gi.require_version("Gst", "1.0")
gi.require_version("GstVideo", "1.0")
gi.require_version("GES", "1.0")

from gi.repository import GES, GLib, Gst, GstVideo  # noqa: E402

from ...kernels.encoding import Encoding, Model, Range  # noqa: E402
from ..effects import range_effect  # noqa: E402
from ..headless.errors import Problem  # noqa: E402
from . import register  # noqa: E402
from .needed import ELEMENT, Signal, Source, format_for  # noqa: E402
from .properties import property_name, word_of  # noqa: E402
from .xges import ProjectFile, bin_description, local_path, read_project  # noqa: E402

_FULL, _NARROW = GstVideo.VideoColorRange(1), GstVideo.VideoColorRange(2)
LOADING_SECONDS = 120


@dataclass(frozen=True, slots=True)
class Put:
    """A range effect on a clip, as it is now."""

    clip: str
    path: Path
    description: str
    state: str
    """'put' | 'changed' | 'there already' | 'removed'"""


def start() -> None:
    """Initialise the framework and make the elements known.

    Raises: Problem where the Editing Services do not start.
    """
    Gst.init(None)
    if not GES.init():
        raise Problem(None, "the Editing Services do not start", "Run footroom host gstreamer --check.")
    register()


class Timeline:
    """An open project. Raises: Problem where anything in it is missing or does not load."""

    def __init__(self, path: Path) -> None:
        self.file: ProjectFile = read_project(path)
        start()
        check_effects(self.file)
        self.project = GES.Project.new(path.resolve().as_uri())
        self.timeline: Any = self._load()
        self._check_loaded()
        self._type_caps()

    def _load(self) -> Any:
        """The timeline with all its assets: they are looked at in the background, by the main loop."""
        loop = GLib.MainLoop()
        failed: list[str] = []
        done: list[bool] = []

        def loaded(*_: Any) -> None:
            done.append(True)
            loop.quit()

        def refused(_project: Any, error: Any, identifier: str, *_: Any) -> None:
            failed.append(f"{local_path(identifier) or identifier} ({error.message})")

        def broken(_project: Any, _timeline: Any, error: Any) -> None:
            failed.append(error.message)
            loop.quit()

        self.project.connect("loaded", loaded)
        self.project.connect("error-loading-asset", refused)
        self.project.connect("error-loading", broken)
        GLib.timeout_add_seconds(LOADING_SECONDS, loop.quit)
        try:
            timeline = self.project.extract()
        except GLib.Error as error:
            raise Problem(self.file.path, f"it does not load ({error.message})") from None
        if timeline is None:
            raise Problem(self.file.path, "it does not load")
        if not done and not failed:
            loop.run()
        if failed:
            raise Problem(self.file.path, f"these do not load: {', '.join(failed)}", "Check that they play.")
        if not done:
            raise Problem(self.file.path, f"it has not loaded after {LOADING_SECONDS} seconds", "Check its media.")
        return timeline

    def _check_loaded(self) -> None:
        """Nothing of the file may have been left out."""
        clips = list(self.clips())
        effects = sum(len(clip.get_top_effects()) for layer in self.timeline.get_layers() for clip in layer.get_clips())
        attached = [one for one in self.file.effects if one.clip != "a track" and not one.spread]
        wanted = len(self.file.clips), len(attached)
        if (len(clips), effects) != wanted:
            raise Problem(
                self.file.path,
                f"it names {wanted[0]} clips and {wanted[1]} effects, and {len(clips)} and {effects} came through loading",
                "Open it in an editor and save it again.",
            )

    def _type_caps(self) -> None:
        """Numbers in tracks' restrictions as numbers: ges-launch-1.0 saves them as texts, which nothing can be negotiated with."""
        for track in self.timeline.get_tracks():
            caps = track.get_restriction_caps()
            said = "" if caps is None else caps.to_string()
            typed = re.sub(r"\(string\)(\d+/\d+)", r"(fraction)\1", said)
            typed = re.sub(r"(?<!format=)\(string\)(\d+)(?=[,;]|$)", r"(int)\1", typed)
            if typed != said:
                track.set_restriction_caps(Gst.Caps.from_string(typed))

    def clips(self) -> Iterator[Any]:
        """Clips from files, layer by layer."""
        for layer in self.timeline.get_layers():
            for clip in layer.get_clips():
                if isinstance(clip, GES.UriClip):
                    yield clip

    def picture_clips(self) -> Iterator[tuple[Any, Path]]:
        """Clips whose picture is used, with the local file that each shows."""
        for clip in self.clips():
            path = local_path(clip.get_uri())
            shown = any(isinstance(part, GES.VideoUriSource) for part in clip.get_children(False))
            if path is not None and shown:
                yield clip, path

    def track(self) -> Any:
        """The picture track. Raises: Problem where there is none."""
        for track in self.timeline.get_tracks():
            if track.props.track_type == GES.TrackType.VIDEO:
                return track
        raise Problem(self.file.path, "it has no picture track")

    def signal(self, sources: Mapping[Path, Source]) -> Signal:
        """What the picture track is to be: its own restriction where it says, else what holds every clip."""
        caps = self.track().get_restriction_caps()
        own = caps.get_structure(0) if caps is not None and not caps.is_any() and caps.get_size() else None
        form = own.get_string("format") if own is not None else None
        said = own.get_string("colorimetry") if own is not None else None
        form = form or format_for([sources[path] for _, path in self.picture_clips() if path in sources])
        found = GstVideo.VideoFormat.from_string(form)
        if found == GstVideo.VideoFormat.UNKNOWN:
            raise Problem(self.file.path, f"its picture track asks for the format {form}, which there is not")
        info = GstVideo.VideoFormat.get_info(found)
        colour = _colour(said or self._seen_colour())
        model = Model.RGB if info.flags & GstVideo.VideoFormatFlags.RGB else Model.YCBCR
        range_ = Range.FULL if colour.range == _FULL else Range.NARROW
        return Signal(form, colour.to_string(), Encoding(info.depth[0], range_, model))

    def _seen_colour(self) -> str:
        """Matrix, transfer and primaries that most clips have, at narrow range."""
        seen: dict[str, int] = {}
        for clip, _ in self.picture_clips():
            for stream in clip.get_asset().get_info().get_video_streams():
                structure = stream.get_caps().get_structure(0)
                word = structure.get_string("colorimetry")
                if word:
                    colour = _colour(word)
                    colour.range = _NARROW
                    seen[colour.to_string()] = seen.get(colour.to_string(), 0) + 1
        return max(seen, key=lambda word: seen[word]) if seen else "bt709"

    def pin(self, signal: Signal) -> bool:
        """Write the signal into the picture track's restriction; whether that changed anything."""
        track = self.track()
        caps = track.get_restriction_caps()
        plain = caps is None or caps.is_any() or not caps.get_size()
        wanted = Gst.Caps.from_string("video/x-raw") if plain else caps.copy()
        # The words of the framework's own spelling: caps are compared as text, so '2:3:5:1' would not be 'bt709'.
        wanted.set_value("format", signal.format)
        wanted.set_value("colorimetry", signal.colorimetry)
        wanted.set_features(0, Gst.CapsFeatures.new_empty())
        if caps is not None and wanted.is_equal(caps):
            return False
        track.set_restriction_caps(wanted)
        return True

    def put(self, clip: Any, path: Path, wanted: str | None) -> Put | None:
        """Make a clip's range effect what is wanted; None where there was none to put or to remove.

        wanted : the description, as `description_for` makes it; None where the clip needs no effect
        """
        name = clip.get_name()
        own = [one for one in clip.get_top_effects() if _is_range(one)]
        if len(own) == 1 and wanted is not None and _same(own[0], wanted):
            return Put(name, path, wanted, "there already")
        for effect in own:
            clip.remove(effect)
        if wanted is None:
            return Put(name, path, own[0].props.bin_description, "removed") if own else None
        effect = GES.Effect.new(wanted)
        if effect is None or not clip.add(effect):  # added last, which is next to the source
            raise Problem(self.file.path, f"the range effect could not be put on {name} ({path.name})")
        return Put(name, path, wanted, "changed" if own else "put")

    def check_no_second_change(self) -> None:
        """A range effect that lies over several clips would change once more what the clips' own effects have put right.

        Raises: Problem where there is one.
        """
        for effect in self.file.effects:
            if effect.spread and ELEMENT in effect.description.split():
                raise Problem(
                    self.file.path,
                    f"{effect.clip} holds {ELEMENT} over all clips below it, which would change mended clips a second time",
                    "Take it off and mend the clips, or render without --mend.",
                )

    def save(self, target: Path) -> None:
        """Write the project, whole or not at all.

        Raises: Problem where it cannot be written.
        """
        self.timeline.commit()
        partial = target.with_name(f".{target.stem}.partial{target.suffix}")
        try:
            self.project.save(self.timeline, partial.resolve().as_uri(), None, True)
            with partial.open("rb") as handle:
                os.fsync(handle.fileno())
            os.replace(partial, target)
        except (GLib.Error, OSError) as error:
            words = error.strerror if isinstance(error, OSError) else error.message
            raise Problem(target, f"the project cannot be written ({words})", "Choose another --save.") from None
        finally:
            with suppress(OSError):
                partial.unlink(missing_ok=True)


def _colour(word: str) -> Any:
    colour = GstVideo.VideoColorimetry()
    if not colour.from_string(word):
        raise Problem(None, f"the colorimetry {word!r} is none that GStreamer knows")
    return colour


def _is_range(effect: Any) -> bool:
    return bin_description(effect.props.bin_description).split()[:1] == [ELEMENT]


def _same(effect: Any, wanted: str) -> bool:
    """Whether an effect is set as a description says, whatever it was made with."""
    words = dict(word.split("=", 1) for word in wanted.split()[1:])
    for param in range_effect.EFFECT.params:
        found, now = effect.get_child_property(property_name(param))
        if not found or str(word_of(now)) != words.get(param.name, str(param.default)):
            return False
    return True


def check_effects(file: ProjectFile) -> None:
    """Every element of every effect must be there: loading drops an effect without a word.

    Raises: Problem naming what is missing.
    """
    for effect in file.effects:
        context = Gst.ParseContext.new()
        try:
            Gst.parse_launch_full(effect.description, context, Gst.ParseFlags.FATAL_ERRORS)
        except GLib.Error as error:
            # Of other errors the context names the element too, as if it were not there (1.22.0).
            gone = error.matches(Gst.ParseError.quark(), Gst.ParseError.NO_SUCH_ELEMENT)
            missing = context.get_missing_elements() if gone else None
            what = (
                f"the element {', '.join(missing)}, which is not there"
                if missing
                else f"what is refused: {error.message}"
            )
            raise Problem(
                file.path,
                f"an effect on {effect.clip} needs {what}",
                "Install what brings it, or take the effect off; loaded without it the clip would be rendered bare.",
            ) from None

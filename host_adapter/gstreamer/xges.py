"""What a project file of the Editing Services names: elements, media, formats. Read as text, because loading one drops in silence
what it does not find."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import unquote, urlsplit
from xml.etree import ElementTree

from ..headless.errors import Problem

VIDEO = 4
"""The Editing Services' number of a picture track among the kinds that a clip may be on."""


@dataclass(frozen=True, slots=True)
class NamedEffect:
    """An effect as the file has it: the clip's name and the description that makes its elements.

    spread : it is a clip of its own, over whatever lies on the layers below
    """

    clip: str
    description: str
    spread: bool = False


@dataclass(frozen=True, slots=True)
class NamedClip:
    """A clip from a file: its name, the file's URI, and whether its picture is used."""

    name: str
    uri: str
    picture: bool

    @property
    def path(self) -> Path | None:
        """The file; None where it is no local one."""
        return local_path(self.uri)


@dataclass(frozen=True, slots=True)
class ProjectFile:
    """What a project file says."""

    path: Path
    clips: tuple[NamedClip, ...]
    effects: tuple[NamedEffect, ...]

    @property
    def pictures(self) -> list[Path]:
        """The local files whose pictures are used, each once, in the order of their first use."""
        return list(dict.fromkeys(clip.path for clip in self.clips if clip.picture and clip.path is not None))


def local_path(uri: str) -> Path | None:
    """The file of a URI; None for another scheme."""
    parts = urlsplit(uri)
    return Path(unquote(parts.path)) if parts.scheme == "file" else None


def read_project(path: Path) -> ProjectFile:
    """Read what a project names.

    Raises: Problem where it is no such file, holds another project, or names media that are not there.
    """
    try:
        root = ElementTree.parse(path).getroot()
    except FileNotFoundError:
        raise Problem(path, "there is no such project", "Check the folder and the spelling.") from None
    except OSError as error:
        raise Problem(path, f"it could not be read ({error.strerror})") from None
    except (ElementTree.ParseError, UnicodeDecodeError) as error:
        raise Problem(path, f"it is no project of the Editing Services ({error})", "Name an .xges file.") from None
    if root.tag != "ges" or root.find("project/timeline") is None:
        raise Problem(
            path, f"it is no project of the Editing Services (its root is <{root.tag}>)", "Name an .xges file."
        )
    project = ProjectFile(path, tuple(_clips(path, root)), tuple(_effects(root)))
    _check_media(project)
    return project


def _named(element: ElementTree.Element) -> str:
    for part in element.get("properties", "").split(","):
        key, _, value = part.strip().partition("=")
        if key == "name":
            return value.removeprefix("(string)").strip('";')
    return f"clip {element.get('id')}"


def _clips(path: Path, root: ElementTree.Element) -> Iterator[NamedClip]:
    for clip in root.iter("clip"):
        kind, uri = clip.get("type-name"), clip.get("asset-id", "")
        if kind != "GESUriClip":
            continue
        if uri.split("?")[0].lower().endswith(".xges"):
            raise Problem(
                path, f"its clip {_named(clip)} is another project", "Survey and mend that one first, and render it."
            )
        yield NamedClip(_named(clip), uri, bool(int(clip.get("track-types", "0") or 0) & VIDEO))


def _effects(root: ElementTree.Element) -> Iterator[NamedEffect]:
    for clip in root.iter("clip"):
        for effect in clip.iter("effect"):
            yield NamedEffect(_named(clip), bin_description(effect.get("asset-id", "")))
        if clip.get("type-name") == "GESEffectClip":
            for part in clip.get("asset-id", "").split("||"):  # one for pictures, one for sound
                yield NamedEffect(_named(clip), bin_description(part.strip()), spread=True)
    for track in root.iter("track"):
        for effect in track.iter("effect"):
            yield NamedEffect("a track", bin_description(effect.get("asset-id", "")))


def bin_description(asset: str) -> str:
    """What makes an effect's elements; a project may say before it which kind of track it is for."""
    for kind in ("video ", "audio "):
        asset = asset.removeprefix(kind)
    return asset.strip()


def _check_media(project: ProjectFile) -> None:
    gone = [clip for clip in project.clips if clip.path is not None and not clip.path.exists()]
    if gone:
        names = ", ".join(dict.fromkeys(str(clip.path) for clip in gone))
        raise Problem(
            project.path,
            f"{len(gone)} of its clips show files that are not there: {names}",
            "Put them back, or relink them in your editor.",
        )

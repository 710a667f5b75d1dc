"""The tables that footroom makes: range, view, and somebody's table adapted to another range."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from ....kernels.encoding import Encoding, Model, Range
from ....kernels.exposure import Shades, shade, stops_of
from ....kernels.lut import Line, level_line, range_line, roll_off
from ...effects.exposure_effect import Look, look_for
from ...transfer import Transfer, transfer_of
from ..curves import colour_science
from ..errors import Problem
from .files import LARGEST_CUBE, LARGEST_CURVE, line_transform, ocio, read_table, text_of
from .table import UNIT, End, Signals, Table, ranges_noted

CURVE_SIZE, CUBE_SIZE = 4096, 33
KNEE = 0.5
"""Light from which a view for an SDR display rolls highlights off; 18 % grey and skin lie below."""
_PQ_PEAK_NITS, _PQ_WHITE_NITS, _PQ_GAMMA = 1000.0, 203.0, 1.2  # BT.2408-7 table 1, BT.2100-3's HLG OOTF at 1000 cd/m2


def _size(size: int | None, *, cubic: bool) -> int:
    """Raises: Problem."""
    most, usual = (LARGEST_CUBE, CUBE_SIZE) if cubic else (LARGEST_CURVE, CURVE_SIZE)
    if size is None:
        return usual
    if not 2 <= size <= most:
        what = "a three-dimensional table" if cubic else "a one-dimensional table"
        raise Problem(None, f"{what} of size {size} cannot be written", f"Its size is 2 to {most}; {usual} is usual.")
    return size


def range_table(source: Range, target: Range, *, depth: int, size: int | None, cubic: bool) -> Table:
    """Signals of one range as signals of the other, excursions kept.

    Raises: Problem where both are the same.
    """
    if source is target:
        raise Problem(None, f"from {source.label} to {target.label} changes nothing", "Name two ranges.")
    line = range_line(source, target, depth)
    notes: tuple[str, ...] = ()
    if target is Range.FULL:
        notes = ("Sub-black and super-white come out below 0 and above 1; what cannot show them clips them.",)
    return Table(
        "range", f"Range, {source.label} to {target.label}", End(source, "any picture"), End(target, "the same picture"),
        depth, line, True, _size(size, cubic=cubic), cubic, notes=notes,
    )  # fmt: skip


def view_table(
    curve: str,
    display: str,
    *,
    source: Range,
    target: Range,
    depth: int,
    size: int | None,
    cubic: bool,
    clip: bool = False,
) -> Table:
    """Log as a display should show it, channel by channel, in the camera's own primaries.

    clip : highlights above a display's white are cut, not rolled off

    Raises: Problem where a name is unknown.
    """
    log, shown = transfer_of(curve, None), transfer_of(None, display)
    to_level, from_level = level_line(source, depth), level_line(target, depth).back
    to_display = _Shown(log, shown, float(to_level.at(Fraction(1))), clip=clip)

    def exact(signal: Signals) -> Signals:
        return from_level(to_display(to_level(signal)))

    highlights = "cut at the display's white" if clip else "rolled off"
    notes = [f"Channel by channel, in the camera's own primaries: no change of gamut. Highlights are {highlights}."]
    if display == "pq":
        notes.append("BT.2408's levels: white at 203 cd/m2, peak 1000 cd/m2; its gamma of 1.2 goes channel by channel.")
    return Table(
        "view", f"View, {log.label} for {shown.label}", End(source, log.label), End(target, f"a picture for {shown.label}"),
        depth, exact, True, _size(size, cubic=cubic), cubic, notes=tuple(notes),
    )  # fmt: skip


def zones_table(
    values: Mapping[str, Any],
    *,
    source: Range,
    target: Range,
    depth: int,
    size: int | None,
    over: str | None = None,
) -> Table:
    """An exposure map for a monitor: each colour as the zone that its light lies in.

    values : of the exposure effect: curve, display, zones, clip
    over : the display that zones which show the picture show it for, as a view does; None: the signal as it is

    Raises: Problem where a name is unknown, the zones file is wrong, or a view is asked for that nothing would show.
    """
    encoding = Encoding(depth, source, Model.RGB)
    look = look_for(values, encoding)
    plain = replace_patterns(look.shades if over is None else look.shades_for(over))
    to_level, from_level = level_line(source, depth), level_line(target, depth).back
    shown = None if over is None else _over(values, look, over, float(to_level.at(Fraction(1))))

    def exact(signal: Signals) -> Signals:
        levels = np.ones((1, len(signal), 4), np.float32)
        levels[0, :, :3] = to_level(signal)
        stops = stops_of(levels, look.meter)
        if shown is not None:
            levels[0, :, :3] = shown(to_level(signal))
        shade(stops, plain, look.edges, levels, period=4)
        return from_level(levels[0, :, :3].astype(np.float64))

    seen = () if over is None else (f"Zones that show the picture show it for {transfer_of(None, over).label}.",)
    notes = (
        *seen,
        "Borders of zones are as sharp as one step of the table. Clipped and no light have a flat colour here: a table has no patterns.",
        "Light is weighed with BT.709's numbers for red, green and blue.",
    )
    label = look.transfer.label
    return Table(
        "zones", f"Exposure zones, {label}", End(source, label), End(target, "zones of exposure, for looking at"), depth, exact,
        False, _size(size, cubic=True), True, notes=notes,
    )  # fmt: skip


def _over(values: Mapping[str, Any], look: Look, over: str, top: float) -> _Shown:
    """What zones show that show the picture. Raises: Problem."""
    if not values["curve"]:
        raise Problem(None, "a view is of log, and no curve is named", "Name --curve, or leave --over out.")
    if all(zone.colour is not None for zone in look.zones.zones):
        raise Problem(
            None,
            "a view is asked for under the zones, and every zone has a colour of its own",
            'Write colour = "picture" for the zones of a file (--zones) that it is to show through.',
        )
    return _Shown(look.transfer, transfer_of(None, over), top, clip=False)


def replace_patterns(flat: Shades) -> Shades:
    """Shades whose patterns are flat: figure of what is clipped, ground of what has no light."""
    return Shades(flat.table, flat.start, flat.clip[[0, 0]], flat.black[[1, 1]])


class _Shown:
    """Levels of a log curve to levels for a display."""

    def __init__(self, log: Transfer, shown: Transfer, top: float, *, clip: bool) -> None:
        peaks = {"hlg": float(shown.light(1.0)), "pq": (_PQ_PEAK_NITS / _PQ_WHITE_NITS) ** (1 / _PQ_GAMMA)}
        peak = peaks.get(shown.key, 1.0)
        lightest = float(log.light(top))
        self.log, self.shown, self.peak = log, shown, peak
        self.rolled = None if clip or lightest <= peak else roll_off(lightest / peak, KNEE)

    def __call__(self, level: Signals) -> Signals:
        light = self.log.light(level) / self.peak
        light = np.minimum(light if self.rolled is None else self.rolled(light), 1.0)
        return _signal(self.shown, np.nan_to_num(light, nan=0.0, neginf=0.0) * self.peak)


def _signal(shown: Transfer, light: Signals) -> Signals:
    """Levels that show light of a scene on a display."""
    colour = colour_science()

    if shown.key == "bt1886":
        # BT.709-6 item 1.2: the camera's curve that a BT.1886 display is the other half of.
        return np.asarray(colour.models.oetf_BT709(light), dtype=np.float64)
    if shown.key == "hlg":
        return shown.level(light)
    nits = _PQ_WHITE_NITS * np.maximum(light, 0) ** _PQ_GAMMA
    return np.asarray(colour.models.eotf_inverse_ST2084(nits), dtype=np.float64)


def adapted_table(
    path: Path,
    *,
    made_for: tuple[Range, Range] | None,
    wanted: tuple[Range, Range],
    depth: int,
    size: int | None,
    plain_domain: bool,
    suffix: str,
) -> Table:
    """A table that was made for one range, for another: codes are led to what it was made for, through it, and back.

    made_for : ranges of what it takes and gives; None to take what a table of ours says of itself, else full and full
    plain_domain : points over 0..1 only, for devices that do not read a domain

    Raises: Problem where it cannot be read, or was made for the wanted ranges already.
    """
    noted = ranges_noted(text_of(path)) if path.is_file() else None
    if made_for and noted and made_for != noted:
        said = " and ".join(each.label for each in noted)
        raise Problem(
            path, f"the table says of itself that it is for {said} range, in and out", "Leave out --from and --to."
        )
    origin = made_for or noted or (Range.FULL, Range.FULL)
    if origin == wanted:
        words = f"{wanted[0].label}:{wanted[1].label}"
        raise Problem(path, f"it is for {words} already; adapting it again is the classic mistake", "Use it as it is.")
    group, apply = read_table(path)
    before, after = range_line(wanted[0], origin[0], depth), range_line(origin[1], wanted[1], depth)

    def exact(signal: Signals) -> Signals:
        return after(apply(before(signal)))

    title = f"{path.stem}, for {wanted[0].label} in, {wanted[1].label} out"
    ends = End(wanted[0], f"what {path.name} takes"), End(wanted[1], f"what {path.name} gives")
    notes = (*_origin(path, origin), *_excursions(apply, before, wanted[0], depth))
    own = None if plain_domain else _own_points(group, before, after)
    if suffix == ".clf" and not plain_domain:
        chain = (
            line_transform(float(before.gain), float(before.offset)), *group,
            line_transform(float(after.gain), float(after.offset)),
        )  # fmt: skip
        return Table(
            "adapt", title, *ends, depth, exact, False, own[2] if own else CUBE_SIZE, True if own is None else own[3],
            chain=chain, notes=notes,
        )  # fmt: skip
    if own is None:
        cubic = not _separate(group)
        notes = (*notes, "Its points were laid anew over 0..1, so it differs a little between them.")
        return Table(
            "adapt", title, *ends, depth, exact, False, _size(size or _fine(cubic), cubic=cubic), cubic, notes=notes
        )
    domain, values, points, cubic = own
    if size is not None and size != points:
        raise Problem(
            path,
            f"it has {points} points a side, and keeping them is what makes it exact",
            "Leave out --size, or add --plain-domain.",
        )
    if domain != UNIT:
        ends_of = f"{float(domain[0]):.6g}..{float(domain[1]):.6g}"
        notes = (
            *notes,
            f"Its own points are kept, over the domain {ends_of}: for a device that reads no domain use --plain-domain.",
        )
    return Table("adapt", title, *ends, depth, exact, False, points, cubic, domain, values, notes=notes)


def _fine(cubic: bool) -> int:
    return 65 if cubic else CURVE_SIZE


def _origin(path: Path, origin: tuple[Range, Range]) -> tuple[str, ...]:
    return (f"Adapted from {path.name}, taken to be for {origin[0].label} in, {origin[1].label} out.",)


def _excursions(apply: object, before: Line, source: Range, depth: int) -> tuple[str, ...]:
    """What becomes of sub-black and super-white."""
    if source is Range.FULL:
        return ()
    assert callable(apply)
    ends = np.repeat(before(np.array([0.0, 1.0]))[:, None], 3, axis=1)
    if np.allclose(apply(ends), apply(np.array([[0.0] * 3, [1.0] * 3])), atol=1e-6):
        scale = 1 << (depth - 8)
        return (
            f"It has no values for codes below {16 * scale} and above {235 * scale}: they come out as those two do.",
        )
    return ("Codes below black and above white come out as its own values there say.",)


def _separate(group: object) -> bool:
    """Whether each channel goes through by itself."""
    library = ocio()
    return all(isinstance(each, library.Lut1DTransform) or _diagonal(each) is not None for each in group)  # type: ignore[attr-defined]


def _diagonal(transform: object) -> Line | None:
    """A matrix that does one and the same to each channel."""
    if not isinstance(transform, ocio().MatrixTransform):
        return None
    matrix, offset = np.reshape(transform.getMatrix(), (4, 4)), transform.getOffset()
    gain = matrix[0, 0]
    same = np.array_equal(matrix[:3, :3], np.eye(3) * gain) and len(set(offset[:3])) == 1 and gain > 0
    return Line(Fraction(gain), Fraction(offset[0])) if same else None


def _own_points(
    group: object, before: Line, after: Line
) -> tuple[tuple[Fraction, Fraction], Signals, int, bool] | None:
    """A table of one curve or cube keeps its points: its domain moves, and its values go along a line. Nothing is lost.

    Returns: domain, values, points a side, whether it is a cube; None where it is anything else.
    """
    library = ocio()
    transforms = list(group)  # type: ignore[call-overload]
    first = _diagonal(transforms[0]) if len(transforms) == 2 else Line()
    if first is None or not 1 <= len(transforms) <= 2:
        return None
    last = transforms[-1]
    cubic = isinstance(last, library.Lut3DTransform)
    if not cubic and not (isinstance(last, library.Lut1DTransform) and not last.getInputHalfDomain()):
        return None
    values = np.asarray(last.getData(), dtype=np.float64).reshape(-1, 3)
    points = last.getGridSize() if cubic else last.getLength()
    into = Line(first.gain * before.gain, first.gain * before.offset + first.offset)
    return (into.back.at(Fraction(0)), into.back.at(Fraction(1))), after(values), points, cubic

"""A report as data: what it says and shows, in blocks that the templates know. Nothing here is HTML."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from typing import ClassVar


class Tone(Enum):
    """What a verdict amounts to; shown by a word and a sign, colour only repeats them."""

    WRONG = "wrong"
    OPEN = "open"
    RIGHT = "right"
    PLAIN = "plain"


@dataclass(frozen=True, slots=True)
class Picture:
    """A raster picture inside the page.

    uri : 'data:image/…;base64,…'
    width, height : pixels
    alt : what it shows, in words
    """

    uri: str
    width: int
    height: int
    alt: str


@dataclass(frozen=True, slots=True)
class Pair:
    """Two pictures of one frame under a slider: `before` left of its handle, `after` right of it."""

    kind: ClassVar[str] = "pair"
    title: str
    before: Picture
    after: Picture
    before_words: str
    after_words: str
    caption: str


@dataclass(frozen=True, slots=True)
class Still:
    """One picture with its caption."""

    kind: ClassVar[str] = "still"
    title: str
    picture: Picture
    caption: str


@dataclass(frozen=True, slots=True)
class Crops:
    """Small pictures side by side, each with its words."""

    kind: ClassVar[str] = "crops"
    title: str
    items: tuple[tuple[Picture, str], ...]
    caption: str


@dataclass(frozen=True, slots=True)
class Mark:
    """A labelled place on an axis.

    at : 0 to 1 along the axis
    form : 'limit' (a code limit: a heavy line), 'tick' (a thin line) or 'end' (a label alone)
    anchor : 'start' | 'middle' | 'end', how the label lies against its place
    """

    at: float
    label: str
    form: str = "tick"
    anchor: str = "middle"


@dataclass(frozen=True, slots=True)
class Zone:
    """A stretch of an axis, 0 to 1, that is hatched.

    form : 'reserved' (codes kept for timing) or 'clipped' (what a reader of the flag loses)
    """

    start: float
    stop: float
    form: str


@dataclass(frozen=True, slots=True)
class Line:
    """An SVG path in the chart's own units; form : 'area' | 'first' | 'second' | 'third' | 'fit'. label : for the legend."""

    path: str
    form: str
    label: str = ""


@dataclass(frozen=True, slots=True)
class Chart:
    """A plot: paths or a trace picture in a frame with marks.

    view : width and height of the paths' units; y runs downwards
    across, up : marks along the axes; zones_across, zones_up : hatched stretches of them
    alt : the same in words and numbers
    height : of the plot, CSS pixels
    """

    kind: ClassVar[str] = "chart"
    title: str
    caption: str
    alt: str
    view: tuple[int, int]
    lines: tuple[Line, ...] = ()
    trace: Picture | None = None
    across: tuple[Mark, ...] = ()
    up: tuple[Mark, ...] = ()
    zones_across: tuple[Zone, ...] = ()
    zones_up: tuple[Zone, ...] = ()
    height: int = 240


@dataclass(frozen=True, slots=True)
class Beside:
    """Blocks that belong side by side where there is room."""

    kind: ClassVar[str] = "beside"
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Words:
    """A heading and lines under it; strong : lines that must not be missed."""

    kind: ClassVar[str] = "words"
    title: str
    lines: tuple[str, ...]
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Facts:
    """Names and values."""

    kind: ClassVar[str] = "facts"
    title: str
    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of a table; link : the id of a part; tone : of a verdict in it; folds : may break anywhere, as paths do."""

    text: str
    link: str = ""
    tone: Tone = Tone.PLAIN
    folds: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """A table; the first cell of a row is its heading."""

    kind: ClassVar[str] = "table"
    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    caption: str = ""


Block = Pair | Still | Crops | Chart | Beside | Words | Facts | Table


@dataclass(frozen=True, slots=True)
class Part:
    """What the report says of one recording.

    key : its id on the page; badge : a word or two for the verdict; lead : the verdict in a sentence
    blocks : shown at once; folded : shown when asked for
    """

    key: str
    title: str
    tone: Tone
    badge: str
    lead: str
    blocks: tuple[Block, ...] = ()
    folded: tuple[Block, ...] = ()


@dataclass(frozen=True, slots=True)
class Page:
    """A whole report.

    kicker : what kind of report; verdict : the heading; lead : sentences below it
    overview : blocks before the parts
    index : (key, name) of the parts worth a link
    parts : made one at a time while the page is written, so that hundreds take no memory
    cautions : at the foot; key : what is explained of the plots
    """

    kicker: str
    verdict: str
    tone: Tone
    lead: tuple[str, ...]
    overview: tuple[Block, ...]
    index: tuple[tuple[str, str], ...]
    parts: Iterable[Part]
    cautions: tuple[str, ...]
    key: tuple[str, ...] = ("limit", "clipped", "reserved")

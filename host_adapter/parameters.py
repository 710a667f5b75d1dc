"""Parameters of effects, declared once for every host. Nothing heavy is imported here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import Any


class Kind(Enum):
    """What a parameter holds, and the Python type of its values."""

    BOOLEAN = "boolean"
    INTEGER = "integer"
    NUMBER = "number"
    CHOICE = "choice"
    TEXT = "text"


@dataclass(frozen=True, slots=True)
class Choice:
    """One value of a CHOICE: as written in files and on command lines, and as shown."""

    value: str
    label: str


@dataclass(frozen=True, slots=True)
class Param:
    """A parameter, declared once for every host.

    name : as programs write it; label : as a person sees it
    default : of the kind's type; for CHOICE one of the values
    low, high : limits of INTEGER and NUMBER, both allowed values themselves
    unit : of a number, '' where it has none
    animates : whether its value may change over time
    reads : turns a TEXT into values, raising ValueError that says what is wrong; None takes any text
    """

    name: str
    label: str
    kind: Kind
    default: Any
    help: str
    low: float | None = None
    high: float | None = None
    choices: tuple[Choice, ...] = ()
    unit: str = ""
    animates: bool = True
    reads: Callable[[str], Any] | None = None

    @property
    def words(self) -> tuple[str, ...]:
        """The values of a CHOICE."""
        return tuple(choice.value for choice in self.choices)

    def checked(self, value: Any) -> Any:
        """The value in its kind's type.

        Raises: ValueError naming the parameter and the value.
        """
        if self.kind is Kind.BOOLEAN:
            if not isinstance(value, (bool, int)) or value not in (0, 1):
                raise self._refused(value, "true or false")
            return bool(value)
        if self.kind in (Kind.INTEGER, Kind.NUMBER):
            return self._number(value)
        if not isinstance(value, str):
            raise self._refused(value, "a text")
        if self.kind is Kind.CHOICE and value not in self.words:
            raise self._refused(value, f"one of {', '.join(self.words)}")
        if self.reads is not None:
            try:
                self.reads(value)
            except ValueError as error:
                raise ValueError(f"{self.name}: {error}") from None
        return value

    def _number(self, value: Any) -> int | float:
        whole = self.kind is Kind.INTEGER
        if isinstance(value, bool) or not isinstance(value, (int, float)) or (whole and not float(value).is_integer()):
            raise self._refused(value, "a whole number" if whole else "a number")
        low, high = self.low, self.high
        if not (low is None or value >= low) or not (high is None or value <= high):  # so that NaN is refused too
            raise self._refused(value, f"{_end(low)}..{_end(high)}{' ' + self.unit if self.unit else ''}")
        return int(value) if whole else float(value)

    def _refused(self, value: Any, wanted: str) -> ValueError:
        return ValueError(f"{self.name} must be {wanted}, got {value!r}")


def _end(limit: float | None) -> str:
    return "" if limit is None else f"{limit:g}"

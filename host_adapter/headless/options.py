"""Command-line options made from the effects' parameters, so that no option is declared a second time."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

from ..effect import Kind, Param

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


def option(
    param: Param, flag: str | None = None, destination: str | None = None, *, help: str | None = None,
    metavar: str | None = None, without: tuple[str, ...] = (), default: Any = None, show_default: bool = False,
    multiple: bool = False, text: bool = False,
) -> Decorator:  # fmt: skip
    """A parameter as an option of a command.

    flag : the option's name where it is not the parameter's own; destination : the argument's name
    help : where the command means something narrower than the parameter
    without : values of a CHOICE that make no sense on this command line
    default : None leaves the parameter's own default to whoever reads the option
    multiple : may be given several times; text : takes the text as it is, to be read with more words than a number has
    """
    names = [flag or f"--{param.name.replace('_', '-')}", *([destination] if destination else [])]
    kind, metavar = _type(param, without, text, metavar)
    settings: dict[str, Any] = {"help": help or param.help, "metavar": metavar, "multiple": multiple}
    if param.kind is Kind.BOOLEAN:
        return click.option(*names, is_flag=True, help=help or param.help)
    if default is not None:
        settings |= {"default": default, "show_default": show_default}
    return click.option(*names, type=kind, **settings)


def _type(param: Param, without: tuple[str, ...], text: bool, metavar: str | None) -> tuple[Any, str | None]:
    if param.kind is Kind.CHOICE:
        words = [word for word in param.words if word not in without]
        numbers = all(word.isdigit() for word in words)
        return (click.IntRange(min(map(int, words)), max(map(int, words))) if numbers else click.Choice(words)), metavar
    if text or param.kind is Kind.TEXT:
        return str, metavar or "TEXT"
    shape = click.IntRange if param.kind is Kind.INTEGER else click.FloatRange
    return shape(param.low, param.high), metavar  # type: ignore[arg-type]

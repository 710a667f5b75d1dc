"""Options of the benches and the table of ratios that they end with."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest


@dataclass
class Ratios:
    """Ratios gathered over a run: (what, who) to ((median, fastest), bound or None)."""

    rows: list[tuple[str, str, tuple[float, float], float | None, bool]] = field(default_factory=list)

    def add(
        self, what: str, who: str, ratio: tuple[float, float], bound: float | None = None, *, at_least: bool = False
    ) -> None:
        """Keep one figure; at_least says that the bound is a least value, not a largest."""
        self.rows.append((what, who, ratio, bound, at_least))


RATIOS = Ratios()


def pytest_addoption(parser: pytest.Parser) -> None:
    """--smoke: small planes, few rounds; --hold: a ratio past its bound fails (on a quiet machine)."""
    parser.addoption("--smoke", action="store_true", help="small planes and few rounds: does every bench run?")
    parser.addoption("--minute", action="store_true", help="a minute of every live pipeline, where there are any")
    parser.addoption("--hold", action="store_true", help="fail where a ratio is past its bound; for a quiet machine")


@pytest.fixture
def smoke(request: pytest.FixtureRequest) -> bool:
    """Whether this is only a smoke run."""
    return bool(request.config.getoption("--smoke"))


@pytest.fixture
def ratios(request: pytest.FixtureRequest):
    """Where a bench puts its figures; with --hold a figure past its bound fails it."""

    def add(
        what: str, who: str, ratio: tuple[float, float], bound: float | None = None, *, at_least: bool = False
    ) -> None:
        RATIOS.add(what, who, ratio, bound, at_least=at_least)
        if bound is not None and request.config.getoption("--hold"):
            assert (ratio[0] >= bound) if at_least else (ratio[0] <= bound), (
                f"{what}, {who}: {ratio[0]:.2f}, bound {bound}"
            )

    return add


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """The table, after everything else."""
    if not RATIOS.rows:
        return
    write = terminalreporter.write_line
    write("")
    if config.getoption("--smoke"):
        write("A smoke run: every bench ran and its output was right; planes this small make its ratios mean nothing.")
        return
    write("| what | who | median of turns | fastest | bound |")
    write("|---|---|--:|--:|--:|")
    for what, who, ratio, bound, at_least in RATIOS.rows:
        limit = "" if bound is None else f"{'>=' if at_least else '<='} {bound:g}"
        write(f"| {what} | {who} | {ratio[0]:.2f} | {ratio[1]:.2f} | {limit} |")

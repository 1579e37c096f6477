"""`--plot FILE`, the same everywhere: into a file by the ending of its name, or with - here."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import PurePath

import click

from xover.cli.common import F, group
from xover.model.problems import Refused

PLOT_FORMATS = (".svg", ".png", ".pdf")


def plot_option(
    help: str = "Draw into FILE.svg, .png or .pdf, or with - into the terminal.",
) -> Callable[[F], F]:
    """`--plot`."""
    return click.option("--plot", metavar="FILE", help=help)


plot_options = group(
    plot_option(),
    click.option("--force", is_flag=True, help="Overwrite the file named by --plot."),
)
"""`--plot` for a command that writes no other file."""


def check_plot(plot: str | None, *, stdout_taken_by: str = "") -> None:
    """Refuse a name that says no format, and two answers on one stdout."""
    if plot is None:
        return
    if plot != "-" and PurePath(plot).suffix.lower() not in PLOT_FORMATS:
        raise Refused.at("", f"--plot {plot}: the name ends in .svg, .png or .pdf, or is -")
    if plot == "-" and stdout_taken_by:
        raise Refused.at("", f"--plot - and {stdout_taken_by} both write to stdout; choose one")


def plot_format(plot: str) -> str:
    """What to draw for the name of a file."""
    return PurePath(plot).suffix.lower()[1:]

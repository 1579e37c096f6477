"""`xover new`: a minimal valid preset to start from."""

from __future__ import annotations

import click

from xover.cli.common import write_result
from xover.model.names import clean
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Crossover, Input, Output

_RANK = {"sub": 0, "low": 1, "mid": 2, "top": 3, "high": 4}
_CORNER_HZ = {
    ("sub", "low"): 80.0,
    ("sub", "mid"): 100.0,
    ("sub", "top"): 100.0,
    ("sub", "high"): 100.0,
    ("low", "mid"): 400.0,
    ("low", "top"): 400.0,
    ("low", "high"): 1200.0,
    ("mid", "top"): 1600.0,
    ("mid", "high"): 1600.0,
    ("top", "high"): 2500.0,
}
"""Where two neighbouring ways cross in a fresh preset: common practice, no source."""


def start_preset(ways: tuple[str, ...]) -> Preset:
    """A minimal valid preset with one input and one output a way.

    Ways called sub, low, mid, top or high are joined by 24 dB/oct Linkwitz-Riley filters at
    corners to start from, and from three ways on each gets the all-passes of the splits it takes
    no part in, without which the sum dips; any other name is routed full range.
    """
    from xover.design.splits import split_all_pass

    ordered = sorted({way.casefold() for way in ways} & set(_RANK), key=_RANK.__getitem__)

    def filter_between(low: str, high: str) -> Crossover:
        return Crossover(
            family="linkwitz-riley", slope_db_per_octave=24, frequency_hz=_CORNER_HZ[(low, high)]
        )

    def output(way: str) -> Output:
        name = way[:1].upper() + way[1:]
        if way.casefold() not in ordered:
            return Output(name=name, inputs={"Main": 0.0})
        place = ordered.index(way.casefold())
        below = ordered[place - 1] if place else None
        above = ordered[place + 1] if place + 1 < len(ordered) else None
        return Output(
            name=name,
            inputs={"Main": 0.0},
            high_pass=filter_between(below, way.casefold()) if below else None,
            low_pass=filter_between(way.casefold(), above) if above else None,
            eq=tuple(
                section
                for other in range(len(ordered) - 1)
                if place not in (other, other + 1)
                for section in split_all_pass(filter_between(ordered[other], ordered[other + 1]))
            ),
        )

    return Preset(
        title="New preset",
        inputs=(Input(name="Main"),),
        outputs=tuple(output(way) for way in ways),
    )


@click.command(
    epilog="Example: xover new --ways sub,top -o evening.json",
)
@click.option("-o", "output_file", metavar="FILE", help="Write here (default: stdout).")
@click.option("--force", is_flag=True, help="Overwrite the file named by -o.")
@click.option(
    "--ways",
    default="main",
    show_default=True,
    metavar="NAME[,NAME…]",
    help="One output each; sub, low, mid, top and high get crossovers to start from.",
)
def command(output_file: str | None, force: bool, ways: str) -> None:
    """Write a minimal valid preset to start from."""
    from xover.files.preset_json import dumps

    names = tuple(clean(way) for way in ways.split(","))
    if len({name.casefold() for name in names}) != len(names):
        raise Refused.at("", f"--ways {ways}: every way needs a name of its own")
    write_result(dumps(start_preset(names)), output_file, force=force)

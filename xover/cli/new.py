"""`xover new`: a minimal valid preset, or a processor profile, to start from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from xover.cli.common import example, write_result
from xover.model.names import clean
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Crossover, Input, Output

if TYPE_CHECKING:
    from xover.model.profile import Profile

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


def start_profile() -> Profile:
    """A valid processor profile to be filled from a manual: a plain two-way-and-more unit.

    Every figure is a placeholder in the right form, not a statement about any processor.
    """
    from xover.model.profile import (
        CrossoverSetting,
        DelaySetting,
        EqSetting,
        Grid,
        LimiterSetting,
        LimitSetting,
        Profile,
        Steps,
        ThresholdSetting,
        WidthSetting,
    )

    times_ms = Grid(min=1.0, max=1000.0, per_octave=3.0)
    limit = LimitSetting(
        threshold=ThresholdSetting(unit="dbu", min=-20.0, max=20.0, step=0.5, reads="sine-rms"),
        attack_ms=times_ms,
        release_ms=times_ms,
    )
    return Profile(
        name="New processor",
        inputs=2,
        outputs=6,
        sample_rates_hz=(48_000.0,),
        gain_db=Steps(min=-60.0, max=12.0, step=0.1),
        delay=DelaySetting(unit="ms", max=500.0, step=0.01),
        crossover=CrossoverSetting(
            families={"butterworth": (12, 18, 24), "linkwitz-riley": (12, 24)},
            frequency_hz=Grid(min=20.0, max=20_000.0, per_octave=24.0),
        ),
        eq=EqSetting(
            bands_per_output=5,
            kinds=("peak", "low_shelf", "high_shelf"),
            frequency_hz=Grid(min=20.0, max=20_000.0, per_octave=24.0),
            gain_db=Steps(min=-15.0, max=15.0, step=0.5),
            width=WidthSetting(unit="q", values=Grid(min=0.3, max=20.0, per_octave=6.0)),
        ),
        limiter=LimiterSetting(rms=limit, peak=limit, position="after-gain"),
    )


@click.command(
    epilog=example("xover new --ways sub,top -o evening.json"),
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
@click.option(
    "--processor", is_flag=True, help="A processor profile to fill from a manual, not a preset."
)
def command(output_file: str | None, force: bool, ways: str, processor: bool) -> None:
    """Write a minimal valid preset, or a processor profile, to start from."""
    from xover.files.preset_json import dumps

    if processor:
        from xover.files.profile_json import dumps_profile

        if ways != "main":
            raise Refused.at("", "--ways is about a preset; leave it out with --processor")
        write_result(dumps_profile(start_profile()), output_file, force=force)
        return

    names = tuple(clean(way) for way in ways.split(","))
    if len({name.casefold() for name in names}) != len(names):
        raise Refused.at("", f"--ways {ways}: every way needs a name of its own")
    write_result(dumps(start_preset(names)), output_file, force=force)

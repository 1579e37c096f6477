"""The rules of a processor profile that no single field can state: limits that contradict.

One place for each; reading and writing ask here. Judges only: repairs nothing.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from itertools import pairwise

import msgspec
from msgspec import UNSET

from xover.model import grids, places
from xover.model.names import listed, nearest, quoted, text_problem
from xover.model.problems import Fault
from xover.model.profile import (
    GAIN_DEPENDENT,
    Grid,
    LimitSetting,
    Profile,
    Steps,
    ThresholdSetting,
)
from xover.model.units import short
from xover.model.walk import FAULTS_KEPT, check, tree_of
from xover.model.words import FAMILY_SLOPES

VALUES_MAX = 1_000_000
"""The most values that one grid may have."""
FORMS = "min, max and step; min, max and per_octave; or values alone"


def faults(profile: Profile) -> list[Fault]:
    """Everything wrong with a profile, types and ranges included; empty where it may be written."""
    walked = check(tree_of(profile), Profile)
    if walked.gave_up:
        return walked.faults
    whole = msgspec.convert(walked.tree, Profile)
    return walked.faults + cross_faults(whole, unsure=walked.unsure)


def cross_faults(profile: Profile, *, unsure: Collection[str] = ()) -> list[Fault]:
    """What no single field can state, of a profile whose fields are each of type and range.

    `unsure` are places that hold stand-ins; faults that rest on them are left out.
    """
    rules = _Rules(unsure)
    rules.run(profile)
    return rules.found


class _Rules:
    """One pass over one profile."""

    def __init__(self, unsure: Collection[str]) -> None:
        self.found: list[Fault] = []
        self._unsure = frozenset(unsure)

    def add(self, where: str, message: str) -> None:
        """Note a fault at `where`, unless a stand-in is at it, around it or under it."""
        if len(self.found) >= FAULTS_KEPT:
            return
        if self._unsure:
            mine = {where, *places.ancestors(where)}
            if mine & self._unsure or any(where in places.ancestors(one) for one in self._unsure):
                return
        self.found.append(Fault(where, message))

    def run(self, profile: Profile) -> None:
        problem = text_problem(profile.name, "name")
        if problem:
            self.add("name", f"{quoted(profile.name)} {problem}")
        if not profile.sample_rates_hz:
            self.add("sample_rates_hz", "is empty; name at least one sample rate")
        self.rising("sample_rates_hz", profile.sample_rates_hz)
        self.steps("gain_db", profile.gain_db)
        if profile.gain_db.min > 0.0 or profile.gain_db.max < 0.0:
            self.add("gain_db", "0 dB lies outside min and max; a processor can pass its signal on")
        self.delay(profile)
        self.crossover(profile)
        self.equaliser(profile)
        self.limiter(profile)

    def delay(self, profile: Profile) -> None:
        setting = profile.delay
        if setting.max < setting.step:
            self.add(
                "delay.max",
                f"{short(setting.max)} is less than one step of {short(setting.step)}; "
                "so no delay but 0 could be set",
            )
        elif setting.max / setting.step > VALUES_MAX * 100:
            self.add("delay.step", f"{short(setting.step, 9)} is too fine for a range so large")

    def crossover(self, profile: Profile) -> None:
        setting = profile.crossover
        for name, slopes in setting.families.items():
            where = places.at_key("crossover.families", name)
            known = FAMILY_SLOPES.get(name)  # type: ignore[call-overload]
            if known is None:
                near = nearest(FAMILY_SLOPES, name)
                hint = f"; did you mean {quoted(near)}?" if near is not None else ""
                self.add(
                    where, f"is no crossover family; there are {listed(list(FAMILY_SLOPES))}{hint}"
                )
                continue
            for at, slope in enumerate(slopes):
                if slope not in known:
                    self.add(
                        f"{where}[{at}]",
                        f"{slope} dB per octave is no slope of this family; it has "
                        f"{', '.join(str(one) for one in known)}",
                    )
            self.rising(where, slopes)
            if not slopes:
                self.add(where, "is empty; name its slopes, or leave the family out")
        self.grid("crossover.frequency_hz", setting.frequency_hz, above=0.0)

    def equaliser(self, profile: Profile) -> None:
        setting = profile.eq
        if len(set(setting.kinds)) != len(setting.kinds):
            self.add("eq.kinds", "a kind stands there twice; name each once")
        if len(set(setting.first_order_kinds)) != len(setting.first_order_kinds):
            self.add("eq.first_order_kinds", "a kind stands there twice; name each once")
        has_kinds = setting.kinds or setting.first_order_kinds
        if not has_kinds and (setting.bands_per_output or setting.bands_per_input):
            self.add("eq.kinds", "is empty though there are bands; name the kinds they can be")
        self.grid("eq.frequency_hz", setting.frequency_hz, above=0.0)
        self.steps("eq.gain_db", setting.gain_db)
        if setting.gain_db.min > 0.0 or setting.gain_db.max < 0.0:
            self.add("eq.gain_db", "0 dB lies outside min and max; every band can be flat")
        self.grid("eq.width.values", setting.width.values, above=0.0)
        small = setting.small_gain_convention
        if small is not None and setting.width.convention not in GAIN_DEPENDENT:
            self.add(
                "eq.small_gain_convention",
                f"belongs to {listed(list(GAIN_DEPENDENT))}; {quoted(setting.width.convention)} "
                "holds at every gain, so write null",
            )
        elif small in GAIN_DEPENDENT:
            self.add(
                "eq.small_gain_convention",
                f"{quoted(str(small))} does not hold at small gains either; name another",
            )
        if setting.shelf_width is not None:
            self.grid("eq.shelf_width.values", setting.shelf_width.values, above=0.0)

    def limiter(self, profile: Profile) -> None:
        setting = profile.limiter
        if setting is None:
            return
        if setting.rms is None and setting.peak is None:
            self.add("limiter", "has neither rms nor peak; write null where there is no limiter")
        for name in ("rms", "peak"):
            one: LimitSetting | None = getattr(setting, name)
            if one is None:
                continue
            where = f"limiter.{name}"
            self.steps(f"{where}.threshold", one.threshold)
            threshold = one.threshold
            if threshold.unit == "v" and threshold.min <= 0.0:
                self.add(
                    f"{where}.threshold.min",
                    f"{short(threshold.min)} V is no threshold; it must be above 0",
                )
            if threshold.unit == "dbfs" and threshold.max > 0.0:
                self.add(
                    f"{where}.threshold.max",
                    f"{short(threshold.max)} dBFS lies above full scale; at most 0",
                )
            if name == "rms" and threshold.reads == "peak":
                self.add(
                    f"{where}.threshold.reads",
                    "an rms limiter's figure is an rms level; write “sine-rms”",
                )
            self.grid(f"{where}.attack_ms", one.attack_ms, above=None)
            self.grid(f"{where}.release_ms", one.release_ms, above=None)

    def grid(self, where: str, grid: Grid, *, above: float | None) -> None:
        """A grid in one of its three forms, its values above a bound (None: at least 0)."""
        has = {
            key: getattr(grid, key) is not UNSET
            for key in ("min", "max", "step", "per_octave", "values")
        }
        ranged = has["min"] and has["max"] and has["step"] != has["per_octave"]
        if has["values"] == ranged or (has["values"] and any(list(has.values())[:4])):
            self.add(where, f"is none of the three forms: {FORMS}")
            return
        if grid.values is not UNSET:
            if not grid.values:
                self.add(f"{where}.values", "is empty; name at least one value")
                return
            self.rising(f"{where}.values", grid.values)
        elif not self.ordered(where, grid):
            return
        low = grid.values[0] if grid.values is not UNSET else grid.min
        if above is None:
            if low < 0.0:  # type: ignore[operator]
                self.add(where, f"{short(float(low), 6)} is below 0")  # type: ignore[arg-type]
        elif low <= above:  # type: ignore[operator]
            self.add(
                where,
                f"{short(float(low), 6)} is not above {short(above)}",  # type: ignore[arg-type]
            )
        elif grid.per_octave is not UNSET and low <= 0.0:  # type: ignore[operator]
            self.add(where, "octaves are counted from a value above 0")

    def steps(self, where: str, steps: Steps | ThresholdSetting) -> None:
        self.ordered(where, steps)

    def ordered(self, where: str, scale: Grid | Steps | ThresholdSetting) -> bool:
        """Whether min < max and the number of values is sensible."""
        low, high = float(scale.min), float(scale.max)  # type: ignore[arg-type]
        if high < low:
            self.add(
                f"{where}.max", f"{short(high, 6)} is below min, {short(low, 6)}; exchange them"
            )
            return False
        if isinstance(scale, Grid) and scale.per_octave is not UNSET:
            if low <= 0.0:
                self.add(f"{where}.min", "octaves are counted from a value above 0")
                return False
        elif high > low and high - low < float(scale.step) * (1.0 - grids.SLACK):  # type: ignore[arg-type]
            self.add(
                f"{where}.step",
                f"{short(float(scale.step), 6)} is more than the whole range, "  # type: ignore[arg-type]
                f"{short(low, 6)} to {short(high, 6)}",
            )
            return False
        if grids.count(scale) > VALUES_MAX:
            self.add(where, f"has more than {VALUES_MAX} values; the step is too fine")
            return False
        return True

    def rising(self, where: str, values: Sequence[float]) -> None:
        for at, (low, high) in enumerate(pairwise(values)):
            if high <= low:
                self.add(
                    f"{where}[{at + 1}]",
                    f"{short(high, 6)} follows {short(low, 6)}; values rise from one to the next",
                )
                return

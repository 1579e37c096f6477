"""A preset as one kind of processor can hold it: every field in entry order, what is lost, why.

Relative delays between outputs survive: where one is too long, all move together. Nothing is
dropped in silence; what cannot be held is named with its cost.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence

from msgspec.structs import replace

from xover.design.adapting.bands import Behaviour, Typed, TypedCrossover, behaviour_of
from xover.design.adapting.common_eq import moved_to_inputs
from xover.design.adapting.figures import (
    DELAY_UNITS,
    Rates,
    delay_ms_of,
    delay_typed,
    figure,
    rates_of,
)
from xover.design.adapting.limiting import held_limiter
from xover.design.adapting.result import Adaptation, Adapted, Cannot, Setting
from xover.design.adapting.shape import Shape, shape_of
from xover.design.adapting.slots import moved_to_crossovers
from xover.design.adapting.typed_filters import filter_settings
from xover.dsp.crossover import Side
from xover.model import grids
from xover.model.names import quoted
from xover.model.places import at_key
from xover.model.preset import Preset
from xover.model.processing import Crossover, EqSection, Input, Output
from xover.model.profile import Profile
from xover.model.ranges import Gain, RouteGain, limits_of
from xover.model.rig import Measurement
from xover.model.units import plain, show_db, show_hz, show_ms
from xover.model.words import Stage


def adapt(preset: Preset, profile: Profile) -> Adaptation:
    """The preset on a processor: typed figures, what it then amounts to, and what is lost.

    Deterministic. Never raises for what the processor lacks: that is in each `cannot`.
    """
    return _Adapting(preset, profile).run()


class _Adapting:
    def __init__(self, preset: Preset, profile: Profile) -> None:
        self.preset, self.profile = preset, profile
        self.rates: Rates = rates_of(profile, preset.sample_rate_hz)
        self.behaviour: Behaviour = behaviour_of(profile, self.rates, preset.sample_rate_hz)
        self.notes: list[str] = []
        self.names: set[str] = set()
        self.arranged = preset
        self.moved_sides: frozenset[tuple[int, Side]] = frozenset()
        self._settled: dict[tuple[str, ...], dict[int, Typed]] = {}

    def run(self) -> Adaptation:
        preset, profile = self.preset, self.profile
        self._say_rates()
        slots = moved_to_crossovers(preset, profile)
        arranged, moved = moved_to_inputs(slots.preset, profile)
        self.arranged, self.moved_sides = arranged, slots.sides
        self.notes += [*slots.notes, *moved]
        equalisers = [item.eq for item in preset.inputs] + [item.eq for item in preset.outputs]
        still = sum(section.bypassed for eq in equalisers for section in eq)
        if still:
            bands = "band is" if still == 1 else "bands are"
            self.notes.append(f"{still} bypassed {bands} not entered")
        shift_ms = self._common_shift(preset)
        inputs = [self._input(at, item) for at, item in enumerate(arranged.inputs)]
        outputs = [self._output(at, item, shift_ms) for at, item in enumerate(arranged.outputs)]
        held = replace(
            preset,
            sample_rate_hz=self.behaviour.held_rate_hz,
            measurements=self._measurements(),
            inputs=tuple(item for item, _ in inputs),
            outputs=tuple(item for item, _ in outputs),
            processor=profile.name,
        )
        return Adaptation(
            held,
            profile,
            self.rates.device_hz,
            tuple(one for _, one in outputs),
            tuple(one for _, one in inputs),
            tuple(self.notes),
            arranged,
        )

    def _say_rates(self) -> None:
        preset, profile = self.preset, self.profile
        if self.rates.device_hz != preset.sample_rate_hz:
            self.notes.append(
                f"the preset runs at {show_hz(preset.sample_rate_hz)}, the processor at "
                f"{show_hz(self.rates.device_hz)}"
            )
        if profile.eq.high_frequency == "unknown":
            self.notes.append(
                "how the processor's filters behave towards half its sample rate is not known; "
                "that is in no figure here"
            )
        if profile.latency_ms:
            self.notes.append(
                f"the processor itself adds {show_ms(profile.latency_ms)} to every output alike"
            )

    def _measurements(self) -> tuple[Measurement, ...]:
        """The measurements; what was in force at capture ran at the preset's rate, not this one."""
        preset = self.preset
        if self.behaviour.held_rate_hz == preset.sample_rate_hz:
            return preset.measurements
        return tuple(
            replace(item, captured_sample_rate_hz=preset.sample_rate_hz)
            if item.captured_settings is not None and item.captured_sample_rate_hz is None
            else item
            for item in preset.measurements
        )

    # Delay

    def _common_shift(self, preset: Preset) -> float:
        """By how much all outputs move earlier so that the longest delay fits, in ms."""
        longest_ms = delay_ms_of(
            grids.highest(grids.delay_steps(self.profile.delay)), self.profile.delay, self.rates
        )
        delays = [item.delay_ms for item in preset.outputs]
        excess_ms = max(delays) - longest_ms
        if excess_ms <= 0.0 or min(delays) <= 0.0:
            return 0.0
        shift_ms = min(excess_ms, min(delays))
        self.notes.append(
            f"the longest delay does not fit, so all outputs come {show_ms(shift_ms)} earlier; "
            "between them nothing moves"
        )
        return shift_ms

    def _delay(self, where: str, delay_ms: float, shift_ms: float) -> _Part:
        setting = self.profile.delay
        steps = grids.delay_steps(setting)
        wanted_ms = delay_ms - shift_ms
        exact = delay_typed(wanted_ms, setting, self.rates)
        typed = grids.nearest(steps, exact)
        held_ms = delay_ms_of(typed, setting, self.rates)
        part = _Part(held_ms)
        unit = DELAY_UNITS[setting.unit]
        part.settings.append(
            Setting(f"{where}.delay_ms", delay_ms, typed, unit, figure(typed, steps))
        )
        if not grids.reaches(steps, exact):
            late_ms = wanted_ms - held_ms
            part.cannot.append(
                Cannot(
                    f"{where}.delay_ms",
                    f"{show_ms(wanted_ms)} is more than the processor's {show_ms(held_ms)}; the "
                    f"output comes {show_ms(late_ms)} too early",
                )
            )
        part.error = held_ms - wanted_ms
        return part

    # Gains, polarity, names

    def _gain(self, where: str, gain_db: float, limits_db: tuple[float, float]) -> _Part:
        steps = self.profile.gain_db
        typed = grids.nearest_between(steps, gain_db, *limits_db)
        part = _Part(typed, error=typed - gain_db)
        part.settings.append(Setting(where, gain_db, typed, "dB", figure(typed, steps)))
        if not grids.reaches(steps, gain_db):
            low, high = grids.lowest(steps), grids.highest(steps)
            part.cannot.append(
                Cannot(
                    where,
                    f"{show_db(gain_db)} lies outside {plain(low, 1)} to {plain(high, 1)} dB; the "
                    "nearest is entered",
                    abs(typed - gain_db),
                )
            )
        return part

    def _polarity(self, where: str, polarity: str) -> _Part:
        part = _Part(0.0)
        can = self.profile.polarity
        typed = polarity if can else "normal"
        part.settings.append(Setting(f"{where}.polarity", polarity, typed, "", typed))
        if typed != polarity:
            part.cannot.append(
                Cannot(
                    f"{where}.polarity",
                    "the processor cannot invert; exchange the conductors at one plug, or the "
                    "phase is wrong by 180°",
                )
            )
        return part

    def _name(self, where: str, name: str) -> _Part:
        part = _Part(0.0)
        longest = self.profile.name_characters
        typed = name if longest is None else _shortened(name, longest, self.names)
        self.names.add(typed.casefold())
        part.settings.append(Setting(f"{where}.name", name, typed, "", typed))
        if typed != name:
            part.cannot.append(
                Cannot(
                    f"{where}.name",
                    f"the processor shows {longest} characters of a name; type {quoted(typed)}",
                )
            )
        return part

    # Inputs and outputs

    def _input(self, at: int, item: Input) -> tuple[Input, Adapted]:
        where = f"inputs[{at}]"
        parts = [
            self._name(where, item.name),
            self._gain(f"{where}.gain_db", item.gain_db, limits_of(Gain)),
            self._polarity(where, item.polarity),
            self._delay(where, item.delay_ms, 0.0),
        ]
        shape = shape_of(
            where,
            {},
            item.eq,
            behaviour=self.behaviour,
            rate_hz=self.preset.sample_rate_hz,
            bands_max=self.profile.eq.bands_per_input,
        )
        too_many = self._too_many(where, at, self.profile.inputs, "inputs", item.channel)
        gain, delay = parts[1], parts[3]
        held = replace(
            item,
            gain_db=gain.value,
            polarity=item.polarity if self.profile.polarity else "normal",
            delay_ms=delay.value,
            eq=_eq(shape),
        )
        return held, self._answer(item, where, parts, [], shape, gain, delay, item.eq,
                                  too_many, [])  # fmt: skip

    def _output(self, at: int, item: Output, shift_ms: float) -> tuple[Output, Adapted]:
        where = f"outputs[{at}]"
        routes: dict[str, float] = {}
        route_parts = []
        for name, gain_db in item.inputs.items():
            part = self._gain(at_key(f"{where}.inputs", name), gain_db, limits_of(RouteGain))
            routes[name] = part.value
            route_parts.append(part)
        gain = self._gain(f"{where}.gain_db", item.gain_db, limits_of(Gain))
        delay = self._delay(where, item.delay_ms, shift_ms)
        parts = [self._name(where, item.name), *route_parts, gain,
                 self._polarity(where, item.polarity), delay]  # fmt: skip
        crossovers: dict[Side, Crossover] = {}
        if item.high_pass is not None:
            crossovers["high_pass"] = item.high_pass
        if item.low_pass is not None:
            crossovers["low_pass"] = item.low_pass
        key, given = self._group_figures(item)
        shape = shape_of(
            where,
            crossovers,
            item.eq,
            behaviour=self.behaviour,
            rate_hz=self.preset.sample_rate_hz,
            bands_max=self.profile.eq.bands_per_output,
            locked=self._locked(at, item),
            given=given,
        )
        if key and given is None:
            self._settled[key] = {band.origins[0]: typed for band, typed, _ in shape.bands}
        limits = held_limiter(where, item.limiter, output_gain_db=gain.value, profile=self.profile)
        for stage in ("gain", "delay"):
            if stage in item.locked:
                self._judge_locked(where, stage, gain if stage == "gain" else delay)
        held = replace(
            item,
            inputs=routes,
            gain_db=gain.value,
            polarity=item.polarity if self.profile.polarity else "normal",
            delay_ms=delay.value,
            high_pass=_held(shape, "high_pass"),
            low_pass=_held(shape, "low_pass"),
            eq=_eq(shape),
            limiter=limits.limiter,
        )
        too_many = self._too_many(where, at, self.profile.outputs, "outputs", item.channel)
        muted = Setting(f"{where}.muted", str(item.muted), str(item.muted), "",
                        "muted" if item.muted else "open")  # fmt: skip
        return held, self._answer(
            self.preset.outputs[at], where, parts, limits.settings, shape, gain, delay, item.eq,
            [*too_many, *limits.cannot], [muted],
        )  # fmt: skip

    def _locked(self, at: int, item: Output) -> tuple[Stage, ...]:
        """The locked stages; what came out of a locked equaliser is as locked as that."""
        came: tuple[Stage, ...] = tuple(side for k, side in self.moved_sides if k == at)
        return (*item.locked, *(came if "eq" in item.locked else ()))

    def _group_figures(self, item: Output) -> tuple[tuple[str, ...], dict[int, Typed] | None]:
        """The key of the group that shares this equaliser, and figures settled for it already."""
        for group in self.preset.groups:
            if "eq" in group.follow and item.name in group.outputs:
                members = [self.arranged.output(name) for name in group.outputs]
                same = [one.name for one in members if one.eq == item.eq]
                if len(same) > 1:
                    key = (group.name, *same)
                    return key, self._settled.get(key)
        return (), None

    def _judge_locked(self, where: str, stage: str, part: _Part) -> None:
        if abs(part.error) > 1e-6 and not part.cannot:
            field = "gain_db" if stage == "gain" else "delay_ms"
            part.cannot.append(
                Cannot(
                    f"{where}.{field}",
                    "locked, but the processor's steps do not hold it; the nearest is entered",
                    abs(part.error) if stage == "gain" else None,
                )
            )

    def _too_many(
        self, where: str, at: int, count: int, what: str, channel: int | None
    ) -> list[Cannot]:
        if at >= count:
            why = f"the processor has {count} {what}; there is no place for this one"
            return [Cannot(where, why)]
        if channel is not None and channel > count:
            return [
                Cannot(
                    f"{where}.channel", f"the processor has {count} {what}, none numbered {channel}"
                )
            ]
        return []

    # Answers

    def _answer(
        self,
        meant: Input | Output,
        where: str,
        parts: Sequence[_Part],
        limiter: Sequence[Setting],
        shape: Shape,
        gain: _Part,
        delay: _Part,
        eq: Sequence[EqSection],
        cannot: Sequence[Cannot],
        last: Sequence[Setting],
    ) -> Adapted:
        settings = [setting for part in parts for setting in part.settings]
        settings += filter_settings(where, shape, meant, eq, self.profile)
        return Adapted(
            name=meant.name,
            largest_db=shape.largest_db(gain.error),
            largest_deg=shape.largest_deg,
            rms_db=shape.rms_db(gain.error),
            rms=shape.rms,
            naive_rms=shape.naive_rms,
            delay_error_ms=delay.error,
            settings=(*settings, *limiter, *last),
            cannot=(*(one for part in parts for one in part.cannot), *shape.cannot, *cannot),
        )


class _Part:
    """What a scalar setting became: its value in the preset's terms, its error, its entries."""

    def __init__(self, value: float, error: float = 0.0) -> None:
        self.value = value
        self.error = error
        self.settings: list[Setting] = []
        self.cannot: list[Cannot] = []


def _held(shape: Shape, side: Side) -> Crossover | None:
    found: Mapping[Side, tuple[TypedCrossover, Crossover]] = shape.crossovers
    return found[side][1] if side in found else None


def _eq(shape: Shape) -> tuple[EqSection, ...]:
    bands = sorted(shape.bands, key=lambda band: band[0].origins)
    return tuple(item for _, _, item in bands)


def _shortened(name: str, longest: int, taken: set[str]) -> str:
    """A name of at most `longest` characters that no other has, made from its beginning.

    Letters lose their accents where that is all they lose, since small displays have none.
    """
    if len(name) <= longest and name.casefold() not in taken:
        return name
    plain_name = "".join(
        one for one in unicodedata.normalize("NFKD", name) if not unicodedata.combining(one)
    )
    squeezed = plain_name if len(plain_name) <= longest else plain_name.replace(" ", "")
    short_name = squeezed[:longest].strip() or name[:longest]
    number = 2
    while short_name.casefold() in taken:
        tail = str(number)
        short_name = squeezed[: max(0, longest - len(tail))].strip() + tail
        number += 1
        if number > 10_000:
            break
    return short_name

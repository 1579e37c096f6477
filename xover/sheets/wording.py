"""Sentences that more than one door says: what can hurt, what figures mean, what is played.

Cautions are the usual ones of the trade and yield to local codes; definitions are those of
`docs/preset-format.md`, so that a figure can be entered into a processor nobody has met yet.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from xover.model.drive import Drive
from xover.model.names import inert
from xover.model.units import plain, signed

if TYPE_CHECKING:
    from xover.design.crossings import Crossing

CAUTIONS: tuple[str, ...] = (
    "Local codes, the manufacturer's instructions and licensed practice come first; this sheet "
    "replaces none of them.",
    "Hearing: mute or turn down the amplifiers before entering values, clear people from the "
    "front of the boxes, and raise level slowly from silence when testing. Wear protection.",
    "Mains and line voltage: amplifier outputs and 70.7 V or 100 V lines can carry dangerous "
    "voltage. Switch off and isolate before touching terminals; leave fixed wiring to "
    "qualified people.",
    "Drivers: set high-pass filters and limiters before any signal, and check family, slope and "
    "frequency twice. A threshold raised by 3 dB doubles the power and can destroy a driver.",
    "Trial of a limiter: amplifiers disconnected, output open, level meter on the processor's own "
    "output; raise the feed slowly.",
    "Rigging: nothing on this sheet says that a box may be flown or moved.",
)

RAISED_CAUTION = "A threshold raised by 3 dB doubles the power and can destroy a driver."
DRIVER_CAUTION = (
    "Drivers: these figures rest on data sheets alone; compare them with the makers' before "
    f"anything is powered. {RAISED_CAUTION}"
)
HEARING_CAUTION = (
    "Hearing: test with people away from the boxes, from silence upwards, wearing protection."
)
LINE_CAUTION = (
    "Mains and line voltage: amplifier outputs and 70.7 V or 100 V lines can kill. Switch off and "
    "isolate first; fixed wiring is for licensed people, and local codes come first."
)
LIFE_SAFETY_CAUTION = (
    "Never alter a voice-alarm or other life-safety line; its isolation and its earth-fault "
    "supervision stay on."
)
RIGGING_CAUTION = "Rigging: boxes are flown and moved by licensed people alone."
POWER_CAUTIONS: tuple[str, ...] = (
    DRIVER_CAUTION, HEARING_CAUTION, LINE_CAUTION, LIFE_SAFETY_CAUTION, RIGGING_CAUTION,
)  # fmt: skip
"""What stands once below thresholds, loads and wiring tables."""
PEAK_MEANING = (
    "A peak threshold is the rms of the sine with that peak: the peak itself lies 3.01 dB higher. "
    "Read the other way it is 3 dB wrong."
)

DEFINITIONS: tuple[str, ...] = (
    "Signal order: input (gain, polarity, delay, EQ), matrix, output (gain, polarity, delay, "
    "high-pass, low-pass, EQ, limiters).",
    "Crossover frequency: the −3.01 dB point for Butterworth and Bessel (normalised by "
    "magnitude), the −6.02 dB point for Linkwitz-Riley. Slope: the final one, in dB per octave.",
    "EQ peak: frequency is the centre; Q is the centre frequency divided by the bandwidth "
    "between the two points at half the dB gain; a cut is the mirror image of the boost.",
    "EQ shelf: frequency is where the gain is half the dB gain; Q 0.7071 is the steepest "
    "without overshoot. Every section is of 2nd order unless it says 1st order, which has no Q.",
    "EQ notch, band-pass and all-pass: Q is the Q of the pole pair, for a notch or band-pass the "
    "centre frequency divided by the bandwidth between its −3.01 dB points. EQ low-pass and "
    "high-pass: frequency is the corner, Q its gain there as a ratio (0.7071 = Butterworth).",
    "Limiters: hard knee, infinite ratio; attack and release are one-pole time constants (63 %). "
    "RMS limit: the threshold is the rms level at the processor's output. Peak limit: the "
    "threshold is the rms of the sine that has that peak, so the peak itself is 3.01 dB higher.",
    "0 dBu is 0.7746 V rms. Delay in metres is sound's path at the air temperature above. "
    "Polarity INVERTED turns the sign of the signal over; it is not a delay.",
)


def crossing_words(crossing: Crossing) -> str:
    """`Sub / Top L: loss 0.1 dB`, names inert."""
    names = f"{inert(crossing.lower)} / {inert(crossing.upper)}"
    return f"{names}: loss {plain(crossing.loss_db, 1)} dB"


def drive_sentence(drive: Drive) -> str:
    """What is played: `played: Left 0.0 dB, Aux −3.0 dB (the same signal)`; names as they are."""
    levels = ", ".join(f"{name} {signed(level, 1)} dB" for name, level in drive.levels_db.items())
    how = "the same signal" if drive.correlated else "independent signals"
    if len(drive.levels_db) == 1:
        return f"played: {levels}"
    return f"played: {levels} ({how})"


def sentence_case(text: str) -> str:
    """The first letter large, names left as they are."""
    return text[:1].upper() + text[1:]

"""Figures of a room as SVG, PNG or PDF bytes: a level map, levels around the compass.

matplotlib, loaded only when asked; the same figures give the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from xover.model.names import inert
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.units import plain, show_hz
from xover.sheets.cells import wrapped
from xover.sheets.figures import FORMATS, house_style, no_dates, shown
from xover.sheets.palette import DASHES, dash_name, hex_colour
from xover.sheets.plan import STEP_DB

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from xover.acoustics.maps import LevelMap
    from xover.design.arrays import Layout

_DEEPEST_DB = 30.0


def _bytes(figure: Figure, format: str) -> bytes:
    stream = io.BytesIO()
    figure.savefig(stream, format=format, dpi=150, metadata=no_dates(format))
    return stream.getvalue()


def _known(format: str) -> None:
    if format not in FORMATS:
        raise Refused.at("", f"a figure cannot be {format}; it can be {', '.join(FORMATS)}")


def map_figure(level_map: LevelMap, preset: Preset, *, format: str, title: str = "") -> bytes:
    """A level map as the bytes of a figure: grounds in steps of 3 dB, boxes, listeners, a scale.

    `format` is "svg", "png" or "pdf". Raises `Refused` for any other, and where nothing sounds.
    """
    _known(format)
    finite = level_map.level_db[np.isfinite(level_map.level_db)]
    if not finite.size:
        raise Refused.at("", "there is nothing to draw: every point is silent")
    from matplotlib.colors import BoundaryNorm
    from matplotlib.figure import Figure

    area = level_map.area
    width, depth = area.x_m[1] - area.x_m[0], area.y_m[1] - area.y_m[0]
    top = float(np.ceil(finite.max() / STEP_DB) * STEP_DB)
    bottom = max(top - _DEEPEST_DB, float(np.floor(finite.min() / STEP_DB) * STEP_DB))
    steps = np.arange(bottom, top + 0.5 * STEP_DB, STEP_DB)
    if steps.size < 2:
        steps = np.array([top - STEP_DB, top])
    with house_style():
        tall = min(2.0, max(0.4, depth / width))
        figure = Figure(figsize=(7.2, 5.6 * tall + 1.2), layout="constrained")
        axes = figure.subplots()
        image = axes.imshow(
            level_map.level_db,
            origin="lower",
            extent=(*area.x_m, *area.y_m),
            cmap="cividis",
            norm=BoundaryNorm(steps, 256, extend="both"),
            interpolation="nearest",
            aspect="equal",
        )
        unit = "dB SPL" if level_map.level == "spl" else "dB, relative"
        figure.colorbar(image, ax=axes, label=f"Level in {unit}", ticks=steps)
        things = [("s", item.output, item.position_m) for item in preset.sources]
        things += [("o", item.name, item.position_m) for item in preset.listeners]
        for marker, name, (x_m, y_m, _) in things:
            axes.plot(
                x_m, y_m, marker=marker, markersize=6.0, markerfacecolor="white",
                markeredgecolor="black", linestyle="none", clip_on=False,
            )  # fmt: skip
            axes.annotate(
                shown(inert(name))[:24], (x_m, y_m), xytext=(5, 4), fontsize=7,
                textcoords="offset points", annotation_clip=False,
                bbox={"facecolor": "white", "alpha": 0.7, "edgecolor": "none", "pad": 1.0},
            )  # fmt: skip
        axes.set_xlabel("x in metres")
        axes.set_ylabel("y in metres, into the audience")
        if title:
            text = "\n".join(wrapped(shown(title), 84))
            figure.suptitle(text, x=0.02, ha="left", fontsize=10, fontweight="bold")
        return _bytes(figure, format)


def compass_figure(
    layout: Layout, frequency_hz: Sequence[float], *, format: str, title: str = ""
) -> bytes:
    """Levels around the compass as the bytes of a figure, the front up, 24 dB from rim to middle.

    `format` is "svg", "png" or "pdf". Raises `Refused` for any other.
    """
    _known(format)
    from matplotlib.figure import Figure

    from xover.design.arrays import compass, level_db

    angles = np.arange(0.0, 360.5, 0.5)
    levels = level_db(compass(layout, np.array(frequency_hz), angles))
    top = float(np.ceil(levels.max() / 3.0) * 3.0)
    with house_style():
        figure = Figure(figsize=(7.2, 6.2), layout="constrained")
        axes = figure.add_subplot(projection="polar")
        axes.set_theta_zero_location("N")  # type: ignore[attr-defined]
        axes.set_theta_direction(-1)  # type: ignore[attr-defined]
        for number, (hz, row) in enumerate(zip(frequency_hz, levels, strict=True)):
            lengths = DASHES[dash_name(number)]
            axes.plot(
                np.radians(angles), np.maximum(row, top - 24.0), linewidth=1.5,
                color=hex_colour(number, dark=False), label=show_hz(hz),
                linestyle=(0, lengths) if lengths else "solid",
            )  # fmt: skip
        axes.set_ylim(top - 24.0, top)
        ticks = np.arange(top - 24.0, top + 0.1, 6.0)
        axes.set_yticks(ticks, [f"{plain(float(tick), 0)} dB" for tick in ticks])
        axes.set_xticks(np.radians(np.arange(0.0, 360.0, 30.0)))
        axes.legend(loc="upper left", bbox_to_anchor=(1.05, 1.0), frameon=False)
        text = "\n".join(wrapped(shown(title), 84)) if title else ""
        figure.suptitle(text, x=0.02, ha="left", fontsize=10, fontweight="bold")
        return _bytes(figure, format)

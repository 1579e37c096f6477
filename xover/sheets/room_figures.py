"""Figures of a room as SVG, PNG or PDF bytes: a level map, levels around the compass.

matplotlib, loaded only when asked; the same figures give the same bytes.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np

from xover.model.names import inert
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.sheets.cells import wrapped
from xover.sheets.figures import FORMATS, house_style, no_dates, shown
from xover.sheets.plan import STEP_DB

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from xover.acoustics.maps import LevelMap

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

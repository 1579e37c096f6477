"""An alignment as the JSON document of `xover align`; the field names are a contract."""

from __future__ import annotations

from typing import Any

from xover.cli.common import drive_document
from xover.design.answer import Alignment, Alternative, PairAlignment


def document(answer: Alignment) -> dict[str, Any]:
    """The whole answer."""
    return {
        "results": [_result(result) for result in answer.results],
        "settings": {
            name: {"delay_ms": setting.delay_ms, "polarity": setting.polarity}
            for name, setting in answer.settings.items()
        },
        "criterion": answer.criterion,
        "weights": answer.weights,
        "loss_db": answer.loss_db,
        "runners_up": [
            {
                "loss_db": entry.loss_db,
                "parts": [
                    {
                        "move": part.move,
                        "polarity": part.polarity,
                        "relative_delay_ms": part.relative_delay_ms,
                    }
                    for part in entry.parts
                ],
            }
            for entry in answer.runners_up
        ],
        "hints": [
            {
                "move": hint.move,
                "to": hint.to,
                "sentence": hint.sentence,
                "changes": [
                    {"where": where, "from": before, "to": after}
                    for where, before, after in hint.changes
                ],
                "loss_db": hint.loss_db,
                "instead_of_db": hint.instead_of_db,
            }
            for hint in answer.hints
        ],
        "driven": drive_document(answer.drive),
        "notes": list(answer.notes),
    }


def _result(result: PairAlignment) -> dict[str, Any]:
    return {
        "move": result.move,
        "to": result.to,
        "polarity": result.polarity,
        "delay_ms": result.delay_ms,
        "delayed_output": result.delayed_output,
        "relative_delay_ms": result.relative_delay_ms,
        "bands_hz": [list(band) for band in result.bands_hz],
        "loss_before_db": result.loss_before_db,
        "loss_after_db": result.loss_after_db,
        "loss_curves": [
            {
                "listener": curve.listener,
                "partner": curve.partner,
                "frequency_hz": list(curve.frequency_hz),
                "loss_before_db": list(curve.loss_before_db),
                "loss_after_db": list(curve.loss_after_db),
            }
            for curve in result.loss_curves
        ],
        "tolerance_ms": list(result.tolerance_ms),
        "tolerance_m": result.tolerance_m,
        "tolerance_movement_m": result.tolerance_movement_m,
        "tolerance_c": result.tolerance_c,
        "basis": result.basis,
        "basis_at": result.basis_at,
        "ambiguous": result.ambiguous,
        "at_limit": result.at_limit,
        "spread_ms": None if result.spread_ms is None else list(result.spread_ms),
        "alternatives": [_alternative(entry) for entry in result.alternatives],
        "all_pass": _all_pass(result),
        "notes": list(result.notes),
    }


def _alternative(entry: Alternative) -> dict[str, Any]:
    return {
        "kind": entry.kind,
        "polarity": entry.polarity,
        "delay_ms": entry.delay_ms,
        "delayed_output": entry.delayed_output,
        "loss_after_db": entry.loss_after_db,
        "group_delay_difference_ms": entry.group_delay_difference_ms,
        "at_limit": entry.at_limit,
    }


def _all_pass(result: PairAlignment) -> dict[str, Any] | None:
    found = result.all_pass
    if found is None:
        return None
    section = found.section
    return {
        "order": section.effective_order,
        "frequency_hz": section.frequency_hz,
        "q": section.q if section.effective_order == 2 else None,
        "buys_db": found.buys_db,
        "plain": {
            "polarity": found.polarity,
            "delay_ms": found.delay_ms,
            "delayed_output": found.delayed_output,
            "loss_after_db": found.loss_after_db,
        },
    }

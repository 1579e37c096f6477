"""A rig that is edited while it is watched: only what an edit touched is computed again.

Pieces (a section, a filter, a delay, a source) are kept as they are and multiplied together anew;
nothing is ever divided out of or subtracted from a running result, so nothing drifts.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from xover.dsp.axis import Axis, ComplexArray
from xover.dsp.biquad import section_of, section_response
from xover.dsp.crossover import HIGH_PASS, LOW_PASS, Side
from xover.dsp.response import check_rate, crossover_response, input_stage, stage_factor
from xover.model.drive import Drive
from xover.model.preset import Preset
from xover.model.processing import Crossover, EqSection, Input, Output
from xover.model.units import ratio_from_db


class _Source:
    """What one output is fed: factor · array (None for a constant); equal only to itself."""

    def __init__(self, inputs: dict[str, float], factor: float, array: ComplexArray | None) -> None:
        self.inputs = inputs
        self.factor = factor
        self.array = array


class _Filter(NamedTuple):
    item: Crossover
    side: Side


class _Delay(NamedTuple):
    delay_ms: float


_Key = _Source | _Filter | _Delay | EqSection


class _OutputState:
    """The pieces of one output and their product."""

    def __init__(self) -> None:
        self.output: Output | None = None
        self.keys: list[_Key] = []
        self.pieces: list[ComplexArray | None] = []
        """One for each key; None for a piece that does nothing."""
        self.others: ComplexArray | None = None
        self.others_of = -1
        """`others` is the product of all pieces but the one with this index."""
        self.product: ComplexArray | None = None
        self.row: ComplexArray | None = None
        self.factor = 0.0


class RigEvaluator:
    """Electrical responses and sums at listeners of a preset that changes bit by bit.

    Pass the edited preset: parts that are the same objects, or equal, are not computed again.
    Not for use by two threads at once.
    """

    def __init__(self, axis: Axis) -> None:
        self.axis = axis
        self._drive: Drive | None = None
        self._inputs: dict[str, tuple[Input, ComplexArray | float]] = {}
        self._sources: dict[str, _Source] = {}
        self._outputs: dict[str, _OutputState] = {}
        self._silence: ComplexArray = np.zeros(len(axis), dtype=np.complex128)
        self._silence.flags.writeable = False
        self._tree: _SumTree | None = None

    def responses(self, preset: Preset, drive: Drive) -> ComplexArray:
        """The coherent responses of all outputs in file order, shape (n_outputs, n).

        The figures of `response.electrical_responses`, to rounding. Raises as that does.
        """
        return np.array(self.rows(preset, drive))

    def sums(self, preset: Preset, drive: Drive, transfer: ComplexArray) -> ComplexArray:
        """Σ over outputs of transfer × response, shape (n_listeners, n).

        `transfer` has shape (n_listeners, n_outputs, n): output to listener, complex, in the
        order of the preset's outputs; the same array object means the same values. Raises
        `ValueError` for another shape, or a drive of independent signals, which has no such sum.
        """
        if not drive.correlated and len(drive.levels_db) > 1:
            raise ValueError("independent signals have no coherent sum")
        if transfer.shape[1:] != (len(preset.outputs), len(self.axis)):
            raise ValueError(
                f"transfer of shape {transfer.shape} does not fit {len(preset.outputs)} outputs "
                f"at {len(self.axis)} frequencies"
            )
        rows = self.rows(preset, drive)
        if self._tree is None or self._tree.transfer is not transfer:
            self._tree = _SumTree(rows, transfer)
        return self._tree.total(rows)

    def rows(self, preset: Preset, drive: Drive) -> list[ComplexArray]:
        """The same one by one, not to be written to: as long as a response stands it is one object.

        Raises as `responses` does.
        """
        check_rate(preset, self.axis)
        self._update_inputs(preset, drive)
        rows = [self._row(output) for output in preset.outputs]
        if len(self._outputs) > len(preset.outputs):
            names = {output.name for output in preset.outputs}
            for gone in self._outputs.keys() - names:
                del self._outputs[gone], self._sources[gone]
        return rows

    def _update_inputs(self, preset: Preset, drive: Drive) -> None:
        """Keep the inputs that are driven; forget every source if one of them changed."""
        if drive is not self._drive and drive != self._drive:
            self._inputs.clear()
            self._sources.clear()
        self._drive = drive
        for name, level_db in drive.levels_db.items():
            item = preset.input(name)
            kept = self._inputs.get(name)
            if kept is not None and (kept[0] is item or kept[0] == item):
                continue
            level = ratio_from_db(level_db)
            if item.eq or item.delay_ms:
                self._inputs[name] = item, level * input_stage(item, self.axis)
            else:
                self._inputs[name] = item, level * stage_factor(item)
            self._sources.clear()

    def _source(self, output: Output) -> _Source:
        kept = self._sources.get(output.name)
        if kept is not None and (kept.inputs is output.inputs or kept.inputs == output.inputs):
            return kept
        constant, array = 0.0, None
        for name, (_, stage) in self._inputs.items():
            if name in output.inputs:
                route = ratio_from_db(output.inputs[name])
                if isinstance(stage, float):
                    constant += route * stage
                else:
                    array = route * stage if array is None else array + route * stage
        if array is None:
            source = _Source(output.inputs, constant, None)
        else:
            source = _Source(output.inputs, 1.0, array + constant)
        self._sources[output.name] = source
        return source

    def _row(self, output: Output) -> ComplexArray:
        source = self._source(output)
        state = self._outputs.get(output.name)
        if state is None:
            state = self._outputs[output.name] = _OutputState()
        if output.muted or (source.array is None and not source.factor):
            return self._silence
        if state.output is output and state.row is not None and source is state.keys[0]:
            return state.row
        keys: list[_Key] = [source]
        for crossover, side in ((output.high_pass, HIGH_PASS), (output.low_pass, LOW_PASS)):
            if crossover is not None:
                keys.append(_Filter(crossover, side))
        if output.delay_ms:
            keys.append(_Delay(output.delay_ms))
        keys += output.eq
        before = state.product
        self._multiply(state, keys)
        factor = stage_factor(output) * source.factor
        if state.product is None:
            state.row = np.full(len(self.axis), factor, dtype=np.complex128)
        elif state.row is None or state.product is not before or factor != state.factor:
            state.row = state.product * factor if factor != 1.0 else state.product
        state.output, state.factor = output, factor
        return state.row

    def _multiply(self, state: _OutputState, keys: list[_Key]) -> None:
        """Bring the product of an output's pieces up to date."""
        known = state.keys
        if len(keys) == len(known):
            changed = [
                index
                for index, (new, old) in enumerate(zip(keys, known, strict=True))
                if new is not old and new != old
            ]
            if not changed and state.row is not None:
                state.keys = keys
                return
            if len(changed) == 1:
                index = changed[0]
                if state.others_of != index:
                    state.others = _product(state.pieces[:index] + state.pieces[index + 1 :])
                    state.others_of = index
                state.pieces[index] = self._piece(keys[index])
                state.keys = keys
                state.product = _product([state.others, state.pieces[index]])
                return
        pool = list(zip(known, state.pieces, strict=True))
        state.pieces = [self._pooled(key, pool) for key in keys]
        state.keys, state.others_of = keys, -1
        state.product = _product(state.pieces)

    def _pooled(
        self, key: _Key, pool: list[tuple[_Key, ComplexArray | None]]
    ) -> ComplexArray | None:
        for known, piece in pool:
            if known is key or known == key:
                return piece
        return self._piece(key)

    def _piece(self, key: _Key) -> ComplexArray | None:
        """What one key multiplies on, shape (n,); None where that is 1."""
        if isinstance(key, EqSection):
            return None if key.bypassed else section_response(section_of(key), self.axis)
        if isinstance(key, _Filter):
            return crossover_response(key.item, key.side, self.axis)
        if isinstance(key, _Delay):
            return self.axis.delay_phasor(key.delay_ms)
        return key.array


class _SumTree:
    """Sums at listeners as a binary tree over outputs: an edit adds once a level.

    Node k is the sum of nodes 2k and 2k + 1; leaves are the outputs' contributions, each of
    shape (n_listeners, n). From the second edit of the same output on, the tree waits: the sum
    is that of all others, added up once, plus its own.
    """

    def __init__(self, rows: list[ComplexArray], transfer: ComplexArray) -> None:
        self.transfer = transfer
        self._rows = list(rows)
        shape = (transfer.shape[0], transfer.shape[2])
        self._nodes = [np.empty(shape, dtype=np.complex128) for _ in range(2 * len(rows))]
        for index, row in enumerate(rows):
            np.multiply(transfer[:, index], row, out=self._nodes[len(rows) + index])
        for node in range(len(rows) - 1, 0, -1):
            np.add(self._nodes[2 * node], self._nodes[2 * node + 1], out=self._nodes[node])
        self._edited = -1
        self._others: ComplexArray | None = None
        self._waits = False
        self._total = self._nodes[1]

    def total(self, rows: list[ComplexArray]) -> ComplexArray:
        """The sum over outputs, shape (n_listeners, n): a new array after every change."""
        for index, row in enumerate(rows):
            if row is self._rows[index]:
                continue
            if index == self._edited and len(rows) > 1:
                self._rows[index], self._waits = row, True
                if self._others is None:
                    self._others = self._sum_of_others(index)
                self._total = np.empty_like(self._others)
                for paths, others, out in zip(
                    self.transfer[:, index], self._others, self._total, strict=True
                ):
                    np.multiply(paths, row, out=out)
                    np.add(out, others, out=out)
            else:
                if self._waits:
                    self._climb(self._edited)
                self._rows[index], self._edited = row, index
                self._others, self._waits = None, False
                self._climb(index)
                self._total = self._nodes[1]
        return self._total

    def _climb(self, index: int) -> None:
        """One output's contribution and every node above it, listener by listener.

        One listener's rows stay in the processor's cache. The root is handed out, so that it gets
        a new array each time.
        """
        node = len(self._rows) + index
        way = []
        while node > 1:
            node //= 2
            way.append((self._nodes[2 * node], self._nodes[2 * node + 1], node))
        self._nodes[1] = np.empty_like(self._nodes[1])
        leaf, row = self._nodes[len(self._rows) + index], self._rows[index]
        for listener, paths in enumerate(self.transfer[:, index]):
            np.multiply(paths, row, out=leaf[listener])
            for left, right, above in way:
                np.add(left[listener], right[listener], out=self._nodes[above][listener])

    def _sum_of_others(self, index: int) -> ComplexArray:
        """All contributions but one: the siblings on its way to the root."""
        node = len(self._rows) + index
        others = self._nodes[node ^ 1]
        while node > 3:
            node //= 2
            others = others + self._nodes[node ^ 1]
        return others


def _product(pieces: Sequence[ComplexArray | None]) -> ComplexArray | None:
    """The product of the pieces that do something; None where none does."""
    factors = [piece for piece in pieces if piece is not None]
    if len(factors) < 2:
        return factors[0] if factors else None
    result = factors[0] * factors[1]
    for piece in factors[2:]:
        np.multiply(result, piece, out=result)
    return result
